"""The sound of a cabinet in numbers and words: humps with their modes, panels and cures; third octaves; air modes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from bracewright.design.cabinet import PANELS
from bracewright.fem.mesh import MM
from bracewright.fem.plate import FIELDS
from bracewright.sound.baffled import Baffled
from bracewright.sound.run import Sound

Array = NDArray[np.float64]
PROMINENCE_dB = 3.0
MOST_HUMPS = 8
NEAR_PAIR = 0.05  # of the frequency
#: Nominal third-octave bands, Hz (ISO 266).
BANDS = (25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150)

GUIDANCE = """\
How loud is too loud? No number is given here, because none was found that would stand. What may be said:
- Resonances that add sound (humps) are heard more easily than ones that take it away, and broad ones at lower levels
  than sharp ones (Fryer 1975 and 1977; Buecklein 1981, J. Audio Eng. Soc. 29, 126; Toole and Olive 1988, J. Audio Eng.
  Soc. 36, 122-142). Those results are for resonances in the whole sound at the ear, not for walls beside a driver.
- A criterion for the output of cabinet walls was published (Harwood and Mathews 1977, BBC Research Department report
  1977/3); its values could not be checked and are not repeated.
- One study by boundary elements finds the cabinet's largest effect in the decay, not in the steady level (Fernandez
  Grande 2008, MSc thesis, Technical University of Denmark; abstract only).
So compare designs with each other and listen: `bracewright sound FILE --out DIR` writes the sound of the cabinet alone.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hump:
    """A hump in the cabinet's level over the drivers'.

    Attributes
    ----------
    frequency_Hz, level_dB, power_level_dB : float
        The hump, at the point and in radiated power.
    mode, mode_Hz, mode_share : int, float, float
        Elastic mode that gives most of it (1 is the first), and how much of the pressure, which other motion may
        partly cancel (then above 1).
    panel, panel_share : str, float
        Panel that gives most of it.
    place : (float, float)
        Where that panel moves most in the mode, in-plane, mm.
    cause : {"force", "pressure"}
        Whether the drivers' reaction or the inside pressure drives it.
    air_Hz : float or None
        An air mode within 5 %.
    cure : str
    """

    frequency_Hz: float
    level_dB: float
    power_level_dB: float
    mode: int
    mode_Hz: float
    mode_share: float
    panel: str
    panel_share: float
    place: tuple[float, float]
    cause: str
    air_Hz: float | None
    cure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Result of `bracewright sound`.

    Attributes
    ----------
    sound : Sound
    humps : tuple of Hump
        Loudest first.
    bands : tuple of (band Hz, level dB at the point, level dB in power)
        Third octaves that the frequencies cover.
    panels : dict of float
        Each panel's share of the mean square cabinet pressure over the band; shares add up to 1 and may be negative
        where a panel works against the others.
    pairs : tuple of (air mode Hz, wall mode number, wall mode Hz)
        Within 5 % of each other.
    """

    sound: Sound
    humps: tuple[Hump, ...]
    bands: tuple[tuple[float, float, float], ...]
    panels: dict[str, float]
    pairs: tuple[tuple[float, int, float], ...]

    def to_table(self) -> dict[str, object]:
        """Return plain numbers, for JSON."""
        s = self.sound
        modes = s.setup.reduced.modes
        return {
            "name": s.setup.cabinet.name,
            "point": list(s.point),
            "drivers": list(s.setup.drive.drivers),
            "quick": isinstance(s.setup.outside, Baffled),
            "dofs": s.setup.model.dofs,
            "frequency_Hz": s.frequency_Hz.tolist(),
            "level_dB": s.level_dB.tolist(),
            "power_level_dB": s.power_level_dB.tolist(),
            "humps": [
                {k: list(v) if isinstance(v := getattr(h, k), tuple) else v for k in Hump.__dataclass_fields__}
                for h in self.humps
            ],
            "third_octaves": [{"band_Hz": b, "level_dB": p, "power_level_dB": w} for b, p, w in self.bands],
            "panel_share": self.panels,
            "wall_modes": [
                {"number": k, "frequency_Hz": float(f), "loss_factor": float(e)}
                for k, (f, e) in enumerate(zip(modes.frequency_Hz, s.setup.reduced.loss_factor, strict=True), 1)
            ],
            "air_modes_Hz": s.setup.drive.air.frequency_Hz.tolist(),
            "near_pairs": [{"air_Hz": a, "mode": m, "mode_Hz": f} for a, m, f in self.pairs],
            "seconds": dict(s.seconds),
            "guidance": GUIDANCE,
        }

    def text(self) -> str:
        """Return the report for reading."""
        return "\n".join(self._lines()) + "\n"

    def _lines(self) -> Iterator[str]:
        s = self.sound
        x, y, z = s.point
        yield f"{s.setup.cabinet.name}: what the cabinet radiates, relative to {', '.join(s.setup.drive.drivers)}"
        yield f"at ({x:.0f}, {y:.0f}, {z:.0f}) mm in free space, all cones moving with the same acceleration"
        if isinstance(s.setup.outside, Baffled):
            yield "A rough estimate: each panel is taken as if in an endless baffle, and is heard only from in front."
        yield ""
        yield "third octave, Hz  at the point, dB  in power, dB"
        for b, p, w in self.bands:
            yield f"{b:16g}  {p:16.1f}  {w:12.1f}"
        yield ""
        if self.humps:
            yield "loudest humps"
            yield "    Hz     dB  mode     Hz  mostly from"
        for h in self.humps:
            yield (
                f"{h.frequency_Hz:6.0f} {h.level_dB:6.1f} {h.mode:5} {h.mode_Hz:6.0f}  {h.panel}, "
                f"{100 * h.panel_share:.0f} %, by {h.cause}"
            )
            yield f"{'':28}{h.cure}"
        yield ""
        yield "share of the panels: " + ", ".join(f"{k} {100 * v:.0f} %" for k, v in self.panels.items())
        air = s.setup.drive.air.frequency_Hz
        yield "air modes, Hz: " + (", ".join(f"{f:.0f}" for f in air[:12]) or "none in the band")
        for a, m, f in self.pairs:
            yield f"  air mode {a:.0f} Hz lies within 5 % of wall mode {m} at {f:.0f} Hz"
        yield ""
        yield GUIDANCE.rstrip()


def report(sound: Sound) -> Report:
    """Find the humps of a sound, what makes them and what may help."""
    s = sound
    air = s.setup.drive.air.frequency_Hz
    wall = s.setup.reduced.modes.frequency_Hz
    pairs = tuple(
        (float(a), m, float(f))
        for a in air
        for m, f in enumerate(wall, 1)
        if abs(a / f - 1) <= NEAR_PAIR and f <= s.frequency_Hz[-1]
    )
    total = np.abs(s.cabinet_Pa) ** 2 / np.abs(s.drivers_Pa) ** 2
    share = {k: np.real(p * s.cabinet_Pa.conj()) / np.abs(s.drivers_Pa) ** 2 for k, p in s.side_Pa.items()}
    return Report(
        sound=s,
        humps=tuple(_humps(s)),
        bands=tuple(_bands(s)),
        panels={k: float(v.sum() / total.sum()) for k, v in share.items()},
        pairs=pairs,
    )


def side_by_side(first: Report, second: Report) -> str:
    """Return a table of two designs' third octaves in radiated power, and how much louder the second is."""
    names = [r.sound.setup.cabinet.name for r in (first, second)]
    lines = [f"third octaves in power, dB: {names[0]}; {names[1]}; change"]
    other = {b: w for b, _, w in second.bands}
    lines += [f"{b:8g}  {w:7.1f}  {other[b]:7.1f}  {other[b] - w:+6.1f}" for b, _, w in first.bands if b in other]
    return "\n".join(lines) + "\n"


def _bands(s: Sound) -> Iterator[tuple[float, float, float]]:
    f = s.frequency_Hz
    for band in BANDS:
        inside = (f >= band * 2 ** (-1 / 6)) & (f < band * 2 ** (1 / 6))
        if inside.sum() < 2:
            continue
        p = np.sum(np.abs(s.cabinet_Pa[inside]) ** 2) / np.sum(np.abs(s.drivers_Pa[inside]) ** 2)
        w = np.sum(s.cabinet_W[inside]) / np.sum(s.drivers_W[inside])
        yield float(band), float(10 * np.log10(p)), float(10 * np.log10(w))


def _humps(s: Sound) -> Iterator[Hump]:
    level = s.level_dB
    peaks, _ = find_peaks(level, prominence=PROMINENCE_dB)
    air = s.setup.drive.air.frequency_Hz
    for k in peaks[np.argsort(-level[peaks])][:MOST_HUMPS]:
        f, p = float(s.frequency_Hz[k]), s.cabinet_Pa[k]
        parts = {side: float(np.real(s.side_Pa[side][k] / p)) for side in PANELS}
        panel = max(parts, key=lambda side: parts[side])
        toward = np.real(s.mode_Pa[k] / p)
        mode = int(toward.argmax())
        cause = max(s.cause_Pa, key=lambda c: float(np.real(s.cause_Pa[c][k] / p)))
        near = air[np.abs(air / f - 1) <= NEAR_PAIR]
        air_Hz = float(near[np.abs(near - f).argmin()]) if len(near) else None
        place = _place(s, mode, panel)
        near_mode = abs(float(s.setup.reduced.modes.frequency_Hz[mode]) / f - 1) <= NEAR_PAIR
        yield Hump(
            frequency_Hz=f,
            level_dB=float(level[k]),
            power_level_dB=float(s.power_level_dB[k]),
            mode=mode + 1,
            mode_Hz=float(s.setup.reduced.modes.frequency_Hz[mode]),
            mode_share=float(toward[mode]),
            panel=panel,
            panel_share=parts[panel],
            place=place,
            cause=cause,
            air_Hz=air_Hz,
            cure=_cure(panel, place, cause, air_Hz, float(toward[mode]), near_mode),
        )


def _place(s: Sound, mode: int, panel: str) -> tuple[float, float]:
    model = s.setup.model
    w = s.setup.reduced.modes.shapes[model.of_part(panel), mode].reshape(-1, FIELDS)[:, 2]
    x, y = model.parts[panel].mesh.points[np.abs(w).argmax()] / MM
    return float(x), float(y)


def _cure(
    panel: str, place: tuple[float, float], cause: str, air_Hz: float | None, mode_share: float, near_mode: bool
) -> str:
    """Say what usually helps; common practice, no source."""
    if air_Hz is not None and not near_mode:
        return f"the air mode at {air_Hz:.0f} Hz, away from any strong wall mode: stuffing, or a pocket or driver moved"
    if mode_share < 0.4:
        return "no single mode: the recoil of the whole cabinet or many modes at once; more mass or a heavier board"
    where = f"{panel} near ({place[0]:.0f}, {place[1]:.0f})"
    if cause == "pressure" and air_Hz is not None:
        return (
            f"the air mode at {air_Hz:.0f} Hz drives it: stuffing there, or a brace or pocket moved; or brace {where}"
        )
    if cause == "pressure":
        return f"the pressure inside drives it: brace or stiffen {where}"
    return f"the driver's reaction drives it: a brace behind the driver, a gasket, or bracing or damping {where}"
