"""Writing the report: report.html, report.pdf and the stills."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from PIL import Image

from midstance.assess.result import Assessment
from midstance.report.content import report_content
from midstance.report.drawing import Picture
from midstance.report.html import render_html
from midstance.report.pdf import render_pdf
from midstance.report.stills import Still

#: All stills together take no more than this in report.html, bytes before base64.
STILL_BUDGET = 1_900_000


def encode_stills(stills: Sequence[Still], budget: int = STILL_BUDGET) -> dict[str, bytes]:
    """Return JPEG bytes by file name, at the best quality that keeps them within the budget."""
    encoded: dict[str, bytes] = {}
    for quality in (88, 80, 70, 58):
        encoded = {s.file_name(): _jpeg(s.rgb, quality) for s in stills}
        if sum(map(len, encoded.values())) <= budget:
            break
    return encoded


def _jpeg(rgb: Picture, quality: int) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(
        buffer, "JPEG", quality=quality, optimize=True, subsampling=0 if quality > 85 else 2
    )
    return buffer.getvalue()


def write_report(a: Assessment, stills: Sequence[Still], out_dir: Path) -> list[Path]:
    """Write ``report.html``, ``report.pdf`` and ``stills/*.jpg`` into a folder that exists; return the files
    written.

    The same assessment and stills give the same bytes. Nothing is fetched: the page holds all it shows.
    """
    pictures = encode_stills(stills)
    content = report_content(a, stills)
    html, pdf = render_html(content, pictures), render_pdf(content, pictures)
    written = [out_dir / "report.html", out_dir / "report.pdf"]
    written[0].write_bytes(html.encode("utf-8"))
    written[1].write_bytes(pdf)
    if pictures:
        (out_dir / "stills").mkdir(exist_ok=True)
    for name, data in pictures.items():
        file = out_dir / "stills" / name
        file.write_bytes(data)
        written.append(file)
    return written
