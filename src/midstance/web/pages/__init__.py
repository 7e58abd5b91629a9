"""The pages: each module has a ``router``. What all of them share is in :mod:`midstance.web.shell`."""

from midstance.web.deps import templates
from midstance.web.words import FILTERS

templates.env.filters.update(FILTERS)
