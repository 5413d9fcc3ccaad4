"""Setting a page with Typst: our templates and the shop's, and data that is only ever data.

What a record says goes in as JSON that the templates read; no text of it becomes markup.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from rig.schema import Mistake
from rig.sheets.letterhead import FIXED, LABEL, Letterhead, TemplateError, our_templates

_MAIN = """\
#import "frame.typ": frame
#import "{kind}.typ": {kind}
#let data = json(bytes(sys.inputs.data))
#show: frame.with(data, {fitted})
#{kind}(data)
"""
_LABEL = """\
#import "label_frame.typ": label-frame
#import "label.typ": label
#label-frame(json(bytes(sys.inputs.data)), label)
"""
_PLACE = re.compile(r"┌─ (?P<file>[^\n]+?):(?P<line>\d+):\d+")
# What the fonts that come with Typst and matplotlib have: Latin, Greek, Cyrillic, signs.
_COVERED = re.compile("[\u0000-\u052f\u1e00-\u1fff\u2000-\u22ff\u2500-\u25ff\ufb00-\ufb06\ufffd]*")


def set_pdf(kind: str, data: Mapping[str, Any], letterhead: Letterhead, made_at: datetime) -> bytes:
    """Return a document as PDF; the same data make the same bytes.

    ``kind`` is a template's name, ``made_at`` the date that the PDF bears.  Raises TemplateError
    if a template of the shop cannot be set.
    """
    made = _compiled(kind, data, letterhead, format="pdf", timestamp=int(made_at.timestamp()))
    assert isinstance(made, bytes)
    return made


def set_pages(
    kind: str, data: Mapping[str, Any], letterhead: Letterhead, dpi: float
) -> list[bytes]:
    """Return a document's pages as PNG, ``dpi`` pixels an inch; raises as `set_pdf`."""
    made = _compiled(kind, data, letterhead, format="png", ppi=dpi)
    return [_told_dpi(page, dpi) for page in (made if isinstance(made, list) else [made])]


def _told_dpi(page: bytes, dpi: float) -> bytes:
    """Return a page in grey or colour as it is, its resolution written in it for a printer."""
    from PIL import Image

    out = io.BytesIO()
    with Image.open(io.BytesIO(page)) as image:
        image.convert("RGB").save(out, format="PNG", dpi=(dpi, dpi), optimize=False)
    return out.getvalue()


def _compiled(kind: str, data: Mapping[str, Any], letterhead: Letterhead, **options: Any) -> Any:
    import typst

    text = json.dumps(data, ensure_ascii=False)
    with TemporaryDirectory(prefix="halfturn-sheet-") as name:
        root = Path(name)
        _lay_out(root, kind, letterhead)
        try:
            return typst.compile(
                root / "main.typ",
                root=root,
                sys_inputs={"data": text},
                font_paths=_fonts(everything=_COVERED.fullmatch(text) is None),
                **options,
            )
        except typst.TypstError as error:
            raise TemplateError([_mistake(error, root, letterhead)]) from None
        except RuntimeError as error:  # a picture that is none, a file that is no text
            raise TemplateError([_mistake(error, root, letterhead)]) from None


def _lay_out(root: Path, kind: str, letterhead: Letterhead) -> None:
    for name, content in our_templates().items():
        (root / name).write_bytes(content)
    if letterhead.folder is not None:
        for name in (*letterhead.templates, *letterhead.files):
            if name not in FIXED:
                (root / name).write_bytes((letterhead.folder / name).read_bytes())
    main = _LABEL
    if kind != LABEL:
        # The shop's own may break pages where it likes, which what is fitted to one cannot.
        fitted = not {f"{kind}.typ", "parts.typ", "letterhead.typ"} & set(letterhead.templates)
        main = _MAIN.format(kind=kind, fitted="true" if fitted else "false")
    (root / "main.typ").write_text(main, encoding="utf-8")


@cache
def _fonts(*, everything: bool) -> Any:
    """Return the fonts: those of Typst and DejaVu Sans; the system's too for other scripts."""
    import typst

    dejavu = resources.files("matplotlib").joinpath("mpl-data", "fonts", "ttf", "DejaVuSans.ttf")
    folder = Path(str(dejavu)).parent
    return typst.Fonts(
        include_system_fonts=everything, include_embedded_fonts=True, font_paths=[folder]
    )


def _mistake(error: Exception, root: Path, letterhead: Letterhead) -> Mistake:
    """Return what Typst said, with the shop's file and line where it names one."""
    said = str(getattr(error, "message", "") or error)
    diagnostic = str(getattr(error, "diagnostic", ""))
    allowed = "Typst markup; take the file away to have the one that comes with halfturn"
    for place in _PLACE.finditer(diagnostic):
        name = Path(place["file"]).name
        if letterhead.folder is not None and name in letterhead.templates:
            return Mistake(str(letterhead.folder / name), "", said, allowed, int(place["line"]))
    where = str(letterhead.folder) if letterhead.folder is not None else "the sheet"
    hint = allowed if letterhead.folder is not None else ""
    first = _PLACE.search(diagnostic)
    at = f" ({Path(first['file']).name}, line {first['line']})" if first else ""
    return Mistake(where, "", f"{said}{at}", hint)
