"""Sound: what drives the cabinet, how it answers, what it radiates and what that sounds like.

``radiated`` is the whole way from a design to its sound, ``report`` puts the result in words, ``forced`` gives
mobility, volume velocity and pressure per newton, and ``listen`` makes it heard.
"""

from __future__ import annotations

from bracewright.sound import listen as listen
from bracewright.sound.force import Forced, forced
from bracewright.sound.report import Report, report
from bracewright.sound.run import Sound, default_frequencies, spectrum
from bracewright.sound.run import sound as radiated

__all__ = ["Forced", "Report", "Sound", "default_frequencies", "forced", "listen", "radiated", "report", "spectrum"]
