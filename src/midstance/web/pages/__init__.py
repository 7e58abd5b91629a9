"""The pages. Each module has a ``router``; what all of them share is in :mod:`midstance.web.pages.shell`."""

from midstance.web.deps import templates
from midstance.web.words import FILTERS

templates.env.filters.update(FILTERS)
