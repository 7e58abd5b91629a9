"""What people are handed: annotated stills, one page of HTML, the same as a PDF."""

from midstance.report.stills import Still, StillNumber, StillPoints, draw_still, still_numbers
from midstance.report.write import write_report

__all__ = [
    "Still",
    "StillNumber",
    "StillPoints",
    "draw_still",
    "still_numbers",
    "write_report",
]
