"""The report as a PDF, set by typst, which comes with pip and brings its own fonts."""

from __future__ import annotations

import importlib.util
import json
import tempfile
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from midstance.report.curves import standalone


def _drawings_alone(value: Any) -> Any:
    """Return the content with every drawing given its colours, since a PDF has no page style to take them
    from.
    """
    if isinstance(value, Mapping):
        return {k: standalone(v) if k == "svg" and v else _drawings_alone(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_drawings_alone(v) for v in value]
    return value


def render_pdf(content: Mapping[str, Any], pictures: Mapping[str, bytes]) -> bytes:
    """Return the PDF's bytes: tagged, A4, without a date, the same for the same content."""
    import typst

    spec = importlib.util.find_spec("matplotlib")
    folders = list(spec.submodule_search_locations or []) if spec else []
    fonts = [str(Path(f) / "mpl-data" / "fonts" / "ttf") for f in folders]
    template = (resources.files("midstance.report") / "templates" / "report.typ").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory(prefix="midstance-") as name:
        folder = Path(name)
        (folder / "report.typ").write_text(template, encoding="utf-8")
        text = json.dumps(_drawings_alone(dict(content)), ensure_ascii=False, allow_nan=False)
        (folder / "content.json").write_text(text, encoding="utf-8")
        for file, data in pictures.items():
            (folder / file).write_bytes(data)
        pdf = typst.compile(
            str(folder / "report.typ"),
            root=str(folder),
            font_paths=fonts,
            ignore_system_fonts=True,
            format="pdf",
        )
    assert isinstance(pdf, bytes)
    return pdf
