"""A force recording from file to measures, with what makes it traceable: content, settings, how it was read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import attrs

from midstance import __version__
from midstance.errors import ForceError
from midstance.film.reader import content_sha256
from midstance.force.analyse import measure_force
from midstance.force.model import ForceAbout, ForceResult, ForceSettings
from midstance.gait.model import StrideValue
from midstance.plates.mapping import TableMapping
from midstance.plates.read import ReadOptions, open_force


@attrs.frozen(eq=False)
class GroundRecord:
    """A measured force recording.

    ``name`` and ``sha256`` of the file; ``about`` what it is; ``mapping`` how a table's columns were taken (None for C3D);
    ``settings`` those used: body mass and speed are the file's own where the user named none, with ``mass_from`` and
    ``speed_from`` "given", "the file" or "" where unknown.
    """

    software: str
    name: str
    sha256: str
    about: ForceAbout
    mapping: TableMapping | None
    settings: ForceSettings
    options: ReadOptions
    result: ForceResult
    mass_from: str
    speed_from: str

    @property
    def weight_known(self) -> bool:
        """True where newtons are known: not in recordings in body weights without a body mass."""
        return self.about.unit != "BW" or self.settings.mass_kg is not None

    def values_of(self) -> dict[int, dict[str, StrideValue]]:
        """Values of the measures by number of the contact and key."""
        out: dict[int, dict[str, StrideValue]] = {}
        for v in self.result.values:
            out.setdefault(v.stride, {})[v.measure] = v
        return out


def measure_recording(
    path: Path,
    settings: ForceSettings | None = None,
    options: ReadOptions | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> GroundRecord:
    """Open a force recording and measure it.

    Raises
    ------
    ForceError
        It can't be read, or what it holds can't be trusted.
    """
    asked, how = settings or ForceSettings(), options or ReadOptions()
    try:
        file = open_force(path, how, mass_kg=asked.mass_kg)
        used = attrs.evolve(asked, mass_kg=asked.mass_kg or file.mass_kg, speed_mps=asked.speed_mps or file.speed_mps)
        result = measure_force(file.about, file.blocks, used, where=file.name, progress=progress)
        sha256 = content_sha256(path)
    except OSError as error:
        raise ForceError(
            f"it can't be read ({error.strerror or error})",
            where=str(path),
            allowed="a file you may read, that stays in its place until the work is done",
            next_step="check the name and the permissions",
        ) from error
    return GroundRecord(
        f"midstance {__version__}",
        file.name,
        sha256,
        file.about,
        file.mapping,
        used,
        how,
        result,
        "given" if asked.mass_kg else "the file" if file.mass_kg else "",
        "given" if asked.speed_mps else "the file" if file.speed_mps else "",
    )
