"""A runner made of formulas, for force recordings with every number known.

Vertical force is half a sine wave over contact whose mean over a step is body weight, with an impact of half a sine wave on
top where wanted; fore-aft force is one sine wave (braking first), sideways force a half sine wave towards the middle. The
foot rolls evenly from heel to toe and the belt carries it backwards. Everything follows in closed form.
"""

from __future__ import annotations

from collections.abc import Iterator

import attrs
import numpy as np

from midstance.force.model import FeetPaths, ForceAbout, ForceBlock, Plate

G = 9.81


@attrs.frozen
class MadeRunner:
    mass_kg: float = 70.0
    contact_s: float = 0.250
    step_s: float = 0.350
    braking: float = 0.25  # amplitude of the fore-aft force, body weights
    impact_bw: float = 0.0
    impact_s: float = 0.030  # whole length of the impact's half sine
    speed_mps: float = 3.3
    step_width_m: float = 0.10
    foot_m: float = 0.20  # heel to metatarsal heads
    first_index: float = 0.10  # where along the foot the load begins; it ends at 1
    first_right: bool = True

    @property
    def weight_n(self) -> float:
        return self.mass_kg * G

    @property
    def peak_bw(self) -> float:
        """Largest vertical force without impact: mean over a step is 1 (Morin et al. 2005, J Appl Biomech 21:167–180)."""
        return np.pi / 2 * self.step_s / self.contact_s

    @property
    def braking_bw_s(self) -> float:
        return -self.braking * self.contact_s / np.pi

    def wrench(self, time_s: np.ndarray) -> np.ndarray:
        """(n, 6) in runner's axes about the lab's origin."""
        shifted = time_s - 0.1
        k = np.floor(shifted / self.step_s).astype(int)
        since = shifted - k * self.step_s
        on = (since < self.contact_s) & (shifted >= 0)
        s = np.clip(since / self.contact_s, 0, 1)
        bw = self.weight_n
        up = np.where(on, self.peak_bw * bw * np.sin(np.pi * s), 0.0)
        up += np.where(on & (since < self.impact_s), self.impact_bw * bw * np.sin(np.pi * since / self.impact_s), 0.0)
        right_foot = (k % 2 == 0) == self.first_right
        sign = np.where(right_foot, 1.0, -1.0)
        fore = np.where(on, -self.braking * bw * np.sin(2 * np.pi * s), 0.0)
        side = np.where(on, -0.05 * bw * sign * np.sin(np.pi * s), 0.0)
        along = (self.first_index + (1 - self.first_index) * s) * self.foot_m
        forward = 0.35 - self.speed_mps * since + along
        right = sign * self.step_width_m / 2 + 0.01 * np.sin(np.pi * s) * sign
        out = np.zeros((len(time_s), 6))
        out[:, 0], out[:, 1], out[:, 2] = fore, up, side
        out[:, 3] = -right * up
        out[:, 4] = right * fore - forward * side
        out[:, 5] = forward * up
        return out

    def feet(self, until_s: float, rate_hz: float = 150.0) -> FeetPaths:
        t = np.arange(0, until_s, 1 / rate_hz)
        shifted = t - 0.1
        k = np.floor(shifted / self.step_s).astype(int)
        since = shifted - k * self.step_s
        heel, front = {}, {}
        for side in ("left", "right"):
            mine = ((k % 2 == 0) == self.first_right) == (side == "right")
            sign = 1.0 if side == "right" else -1.0
            # On the ground it rides the belt; in the air it is somewhere in the middle, which nothing looks at.
            x = np.where(mine, 0.35 - self.speed_mps * since, 0.0)
            z = np.full_like(x, sign * self.step_width_m / 2)
            heel[side] = np.column_stack([x, np.zeros_like(x), z])
            front[side] = np.column_stack([x + self.foot_m, np.zeros_like(x), z])
        return FeetPaths(t, heel, front, "metatarsals")


@attrs.frozen(eq=False)
class Made:
    about: ForceAbout
    wrench: np.ndarray  # (plates, n, 6)

    def blocks(self, size: int = 5000) -> Iterator[ForceBlock]:
        for a in range(0, self.wrench.shape[1], size):
            yield ForceBlock(a, self.wrench[:, a : a + size])


def made(
    runner: MadeRunner | None = None,
    seconds: float = 12.0,
    rate_hz: float = 1000.0,
    noise_n: float = 0.0,
    seed: int = 0,
    *,
    feet: bool = False,
    drift_n: np.ndarray | float = 0.0,
    unit: str = "N",
) -> Made:
    """A recording of ``runner`` on one belt, lab axes being runner's axes."""
    body = runner or MadeRunner()
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    w = body.wrench(t)
    rng = np.random.default_rng(seed)
    if noise_n:
        w[:, :3] += rng.normal(0, noise_n, (len(t), 3))
        w[:, 3:] += rng.normal(0, 0.05 * noise_n, (len(t), 3))
    w[:, 1] += drift_n
    if unit == "BW":
        w /= body.weight_n
    about = ForceAbout(
        rate_hz,
        len(t),
        0.0,
        (Plate("the plate"),),
        unit=unit,
        feet=body.feet(seconds) if feet else None,  # type: ignore[arg-type]
    )
    return Made(about, w[None])
