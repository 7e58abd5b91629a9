"""Value objects of force recordings.

Axes. A recording comes in the axes of its file ("lab"); ``axes.Axes`` turns them into *runner's axes*: column 0 forward
(direction of travel), column 1 up, column 2 to the runner's right, a right-handed system. Forces are those of the ground
on the runner: up is positive, braking (against travel) negative, propulsion positive. A *wrench* is force and moment in
one array of six columns (N, then N m), the moment taken about the middle of the platform's surface. Times are seconds of
the recording's own clock.
"""

from __future__ import annotations

from typing import Literal

import attrs
import numpy as np

from midstance.gait.model import EventKind, Exclusion, Floats, Measure, QualityCheck, Side, StrideValue

GRAVITY_MPS2 = 9.81
Surface = Literal["treadmill", "plates"]
SideSource = Literal["given", "labels", "feet", "centre of pressure", "alternation", "unknown"]
#: Columns of runner's axes.
FORWARD, UP, RIGHT = 0, 1, 2


@attrs.frozen(eq=False)
class Plate:
    """One platform.

    Attributes
    ----------
    name : for messages, such as "plate 2".
    corners_m : (4, 3) corners in lab axes, m; None where the file has none.
    horizontal : True where horizontal forces were recorded.
    cop : True where moments or the centre of pressure were recorded.
    down_lab : (3,) unit vector that points down into the plate; None where unknown.
    cop_as_given : True where the file holds the centre of pressure instead of moments: it is then kept as it is when the
        zero of the force is put right.
    """

    name: str
    corners_m: Floats | None = None
    horizontal: bool = True
    cop: bool = True
    down_lab: Floats | None = None
    cop_as_given: bool = False

    @property
    def centre_m(self) -> Floats:
        """Middle of the surface, lab axes, m; zero where there are no corners."""
        return np.zeros(3) if self.corners_m is None else np.asarray(self.corners_m.mean(axis=0), dtype=np.float64)


@attrs.frozen
class Label:
    """An event that somebody marked in the file: which foot, which event, when (s). ``side`` None where not said."""

    time_s: float
    kind: EventKind
    side: Side | None = None


@attrs.frozen(eq=False)
class FeetPaths:
    """Where the feet are, from markers or from the film, in lab axes.

    ``heel`` and ``front`` map side to (n, 3) paths in m, NaN where lost. ``front_is`` says what the front point is:
    "metatarsals" (the line of metatarsal heads) or "toes" (the tip of the shoe).
    """

    time_s: Floats
    heel: dict[Side, Floats]
    front: dict[Side, Floats]
    front_is: Literal["metatarsals", "toes"] = "metatarsals"


@attrs.frozen(eq=False)
class ForceAbout:
    """What a recording is, without its samples.

    Attributes
    ----------
    rate_hz : samples a second.
    samples : how many, None where only reading tells.
    start_s : time of the first sample.
    plates : in the order of the blocks.
    unit : "N", or "BW" for recordings in body weights.
    notes : what was read how, in words.
    labels : events marked in the file.
    feet : paths of the feet recorded with it.
    filtered_hz : cut-off of a low-pass filter that the file itself names; None where it names none.
    """

    rate_hz: float
    samples: int | None
    start_s: float
    plates: tuple[Plate, ...]
    unit: Literal["N", "BW"] = "N"
    notes: tuple[str, ...] = ()
    labels: tuple[Label, ...] = ()
    feet: FeetPaths | None = None
    filtered_hz: float | None = None

    def __attrs_post_init__(self) -> None:
        if not self.rate_hz > 0:
            raise ValueError(f"ForceAbout.rate_hz must be above 0, got {self.rate_hz}")
        if not self.plates:
            raise ValueError("ForceAbout needs at least one plate")


@attrs.frozen(eq=False)
class ForceBlock:
    """Samples in a row: ``wrench`` (plates, n, 6) in lab axes, the first being sample number ``first``."""

    first: int
    wrench: Floats


@attrs.frozen
class ForceSettings:
    """How to read a recording.

    Attributes
    ----------
    threshold_n : vertical force that begins and ends contact, N. 50 N suits treadmills, 20 N quiet platforms; contact
        reads longer at 20 N (by 11 to 17 ms on 26 runners at 2.5 to 4.5 m/s): compare like with like.
    mass_kg : body mass; None takes body weight from the mean force on a treadmill.
    surface : "treadmill", "plates", or None to tell from the recording.
    speed_mps : belt speed, for the foot's place on the belt.
    first_side : the foot of the first whole contact, where neither labels nor the centre of pressure tell.
    sides : times (s) of contacts with their feet, from the film.
    heel_to_metatarsals_m : from the back of the shoe to the line of metatarsal heads, where feet were not recorded.
    height_m : body height; it gives that length where it isn't given.
    loading_between : shares of the rise to the impact peak between which the average loading rate is taken.
    loading_share_of : "force" or "time": of which of the two these are shares.
    up_lab, forward_lab : axes given by hand, lab axes.
    """

    threshold_n: float = 50.0
    mass_kg: float | None = None
    surface: Surface | None = None
    speed_mps: float | None = None
    first_side: Side | None = None
    sides: tuple[tuple[float, Side], ...] = ()
    heel_to_metatarsals_m: float | None = None
    height_m: float | None = None
    loading_between: tuple[float, float] = (0.2, 0.8)
    loading_share_of: Literal["force", "time"] = "force"
    up_lab: tuple[float, float, float] | None = None
    forward_lab: tuple[float, float, float] | None = None

    def __attrs_post_init__(self) -> None:
        low, high = self.loading_between
        if not 0 <= low < high <= 1:
            raise ValueError(f"loading_between takes two rising shares from 0 to 1, got {self.loading_between}")


@attrs.frozen(eq=False)
class Contact:
    """One foot's time on the ground.

    Attributes
    ----------
    index : number in the recording, from 0.
    plate : number of the plate (0 for all belts of a treadmill together).
    on_s, off_s : threshold crossings, between samples, s.
    on_sigma_s, off_sigma_s : their 1-SD errors.
    side : the foot; None where it can't be told.
    excluded : why it is not measured; None where it is.
    values : by name, SI units (N, s, N s, N/s, m, 1); a name is absent where ``reasons`` says why.
    sigmas : 1-SD error of the values that is new in every stance.
    reasons : by name, why this stance has no such value.
    force : (101, 3) force at 0 to 100 % of contact, runner's axes, N.
    cop : (101, 2) centre of pressure, forward and right in runner's axes (lab origin), m; NaN where the plate bears too
        little for it to mean anything.
    first_load : (k, 4) samples of first load: time since contact (s), forward, right (m), vertical force (N).
    """

    index: int
    plate: int
    on_s: float
    off_s: float
    on_sigma_s: float
    off_sigma_s: float
    side: Side | None = None
    excluded: str | None = None
    values: dict[str, float] = attrs.field(factory=dict)
    sigmas: dict[str, float] = attrs.field(factory=dict)
    reasons: dict[str, str] = attrs.field(factory=dict)
    force: np.typing.NDArray[np.float32] | None = None
    cop: np.typing.NDArray[np.float32] | None = None
    first_load: np.typing.NDArray[np.float32] | None = None

    @property
    def contact_s(self) -> float:
        """Contact time, s."""
        return self.off_s - self.on_s


@attrs.frozen(eq=False)
class ForceResult:
    """Everything measured from one recording.

    ``weight_n`` is body weight, with ``weight_source`` in words. ``notes`` say in words how the recording was read;
    ``checks`` judge its fitness. ``strike`` is by side the pattern that the centre of pressure shows, or why none.
    ``foot_paths`` is by contact index the centre of pressure in the foot's axes, (101, 2): along (heel 0, front of the
    foot 1) and sideways (m, towards the little toe); only where the feet were recorded.
    """

    contacts: tuple[Contact, ...]
    measures: tuple[Measure, ...]
    values: tuple[StrideValue, ...]
    excluded: tuple[Exclusion, ...]
    checks: tuple[QualityCheck, ...]
    notes: tuple[str, ...]
    surface: Surface
    side_source: SideSource
    weight_n: float | None
    weight_source: str
    duration_s: float
    strike: dict[Side, str] = attrs.field(factory=dict)
    foot_paths: dict[int, Floats] = attrs.field(factory=dict)
