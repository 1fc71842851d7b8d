"""What whoever stands at the saw must know before the first cut."""

from __future__ import annotations

CAUTIONS = """\
READ THIS FIRST

Dust. Wood dust, and the formaldehyde in the glue of MDF, chipboard and plywood, cause cancer in people: both are in
IARC group 1 (Monographs 100C and 100F). Fine MDF dust stays in the air for hours. Take it off at the tool with an
extractor made for wood dust, wear a fitted respirator of class P3 or FFP3 whenever you cut, rout, sand or sweep, and
clean with a vacuum cleaner, never with compressed air or a broom. Dust burns and can explode: no flames, no sparks.

Router and saw. Goggles and ear protection; no gloves, loose sleeves or loose hair near the cutter. Unplug before
changing a bit. Clamp the work and the template. Several shallow passes, against the rotation of the bit, at the
speed the bit is marked for. Secure the piece that falls out of an opening before the last pass. Keep the guards on.

Clamps, glue and lifting. Clamps hold large forces: let no finger come between, and no clamp stand out at eye height.
Read the glue's own data sheet. A sheet of 22 mm MDF weighs about 16 kg per square metre and a finished cabinet may
weigh more than one person can lift safely: get help, and stand it where it cannot tip.

Check before you cut. Measure the 100 mm square of each drawing after import: another size means the wrong unit.
Measure your boards, which often differ from their nominal thickness. Cut one joint from scrap and try it. Compare
every part with the cut list, and know which face you are looking at.

These drawings come from a calculation and promise nothing about strength, fire, electrical or child safety. Local
codes, the instructions of your tools and materials and the judgement of licensed professionals come before anything
written here. Mains wiring and anything hung over people is work for those licensed to do it.
"""

READING = """\
HOW TO READ THE FILES

Lengths are in millimetres. Each part has its own coordinates: (0, 0) is the lower left corner of its outline. A
point's place in the cabinet is its part coordinates plus the part's datum, along the axes named beside it.
Parts across x are seen from the right of the cabinet, across y from the front, across z from the top: so left, back
and bottom are seen from inside. That face is the near face.
Where corners are butt joints, front and back have the full width and height, left and right stand between them at
full height, bottom and top lie between all four. Lines are the finished edge, without any allowance for the tool.
Layers: CUT_OUTSIDE... keep what is inside the line; CUT_INSIDE... and CUT_SLOT... keep what is outside; GROOVE... and
REBATE... clear what is inside to the depth that is named, from the face that is named; REFERENCE_NOT_CUT is no cut.
Grooves, rebates and slots may run past the edge of a part: there is nothing to cut there. Ends of grooves are round.
A bulge belongs to the segment that starts at its vertex: tan(a quarter of the arc's angle), positive
counter-clockwise, 0 for a straight line. The last vertex joins the first.
Bevels, crossings and where braces stand are in the notes of coordinates.json and of each drawing.
On a sheet a part may lie turned over: its label says which face is up, and layers name the upper and the under face.
"""

# Common practice, no source, from here on.
DRY_FIT = (
    "Cut one groove and its tongue in offcuts of the same boards before anything else. They should go together by hand "
    "pressure or a few taps, and the friction should lift the other piece; glue swells the wood and takes the rest.",
    "Put everything together dry in the order given. Shoulders close: a feeler of 0.05 mm finds no gap.",
    "Measure both diagonals of every opening of the box; they agree to 0.5 mm.",
    "Square the corners named in the table of corners, or ease the mating edge; check that nothing stands on them.",
    "Number the joints and mark the faces before you take it apart.",
)
GLUE_UP = (
    "Rehearse with the clamps set. With a common white glue you have 5 to 10 minutes from the first drop.",
    "Glue thinly on both faces, a line of 0.05 to 0.15 mm; in a groove on the cheeks, little at the bottom: the gap "
    "there takes what is squeezed out.",
    "Clamp at 0.2 to 0.7 MPa on the joint's own area, over straight cauls, 30 to 60 minutes; leave it a day before "
    "you load it.",
    "Check the diagonals again while the clamps are on. Wipe off what is squeezed out inside, where you can.",
    "Only the maker's data sheet of your glue counts where it says otherwise.",
)
TAPPING = (
    "Stand the cabinet on three soft feet. Fix the sensor, under 1 % of a panel's mass, with wax or thin tape.",
    "Tap each point five times and average; a soft tip to 1 kHz, a hard one above. Drop double hits and overloads.",
    "Points lie off the middles, where many modes stand still. Tap dry and again after the glue has cured: the "
    "frequencies rise, by how much tells which joint is loose.",
)
