"""The shop's own: name, lines and logo of its letterhead, and templates that replace ours.

All of it stands in a folder ``sheets`` beside the rig file.  ``letterhead.toml`` has the texts;
any ``.typ`` file there that is named like one of ours takes its place, but for the two frames,
which put on every page and label what must stand there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated

from rig.schema import Mistake, MistakesError, Section, Text, read_text, read_toml
from rig.wholefile import whole_file

FOLDER = "sheets"
FILE = "letterhead.toml"
FIXED = ("frame.typ", "label_frame.typ")
LABEL = "label"  # the template whose frame is the second
LOGO_KINDS = (".svg", ".png", ".jpg", ".jpeg", ".pdf")
LOGO_MOST = 5_000_000
"""Bytes of a logo at most: every sheet holds a copy of it."""

_LINES_MOST = 8
_PACKAGE = re.compile(r"[\"']@[a-z]")
_OWN_PAGE = re.compile(r"\bset\s+page\b|\bpage\s*\(")


class TemplateError(MistakesError):
    """A letterhead or template of the shop cannot be used; ``mistakes`` says why."""


class _Texts(Section):
    """The keys of letterhead.toml."""

    name: Annotated[str, Text(longest=80, empty=True)] = ""
    line_1: Annotated[str, Text(longest=120, empty=True)] = ""
    line_2: Annotated[str, Text(longest=120, empty=True)] = ""
    line_3: Annotated[str, Text(longest=120, empty=True)] = ""
    line_4: Annotated[str, Text(longest=120, empty=True)] = ""
    foot: Annotated[str, Text(longest=300, empty=True)] = ""
    logo: Annotated[str, Text(longest=100, empty=True)] = ""
    paper: Annotated[str, Text(longest=10, empty=True)] = ""


@dataclass(frozen=True)
class Letterhead:
    """What stands at the head and the foot of a page, and which templates are the shop's.

    ``templates`` and ``files`` are the shop's by name; ``folder`` where they are.
    """

    name: str
    lines: tuple[str, ...] = ()
    foot: str = ""
    logo: str = ""
    paper: str = ""
    folder: Path | None = None
    templates: tuple[str, ...] = ()
    files: tuple[str, ...] = ()


def letterhead_in(rig_folder: Path, name: str) -> Letterhead:
    """Return the letterhead of the rig in ``rig_folder``; ``name`` serves where it gives none.

    Raises TemplateError with every mistake in its files.
    """
    folder = rig_folder / FOLDER
    if not folder.is_dir():
        return Letterhead(name)
    texts = _Texts()
    file = folder / FILE
    if file.exists():
        text = read_text(file, TemplateError, "the letterhead")
        texts = read_toml(text, file, _Texts, TemplateError, {}, lambda _: ())
    mistakes = [*_of_logo(folder, texts.logo), *_of_paper(file, texts.paper)]
    templates = tuple(sorted(path.name for path in folder.glob("*.typ")))
    for template in templates:
        mistakes += _of_template(folder / template)
    if mistakes:
        raise TemplateError(mistakes)
    files = tuple(sorted(p.name for p in folder.iterdir() if p.suffix.lower() in LOGO_KINDS))
    lines = (texts.line_1, texts.line_2, texts.line_3, texts.line_4)
    return Letterhead(
        texts.name or name,
        tuple(line for line in lines if line),
        texts.foot,
        texts.logo,
        texts.paper,
        folder,
        templates,
        files,
    )


def _of_logo(folder: Path, logo: str) -> list[Mistake]:
    if not logo:
        return []
    file, path = str(folder / FILE), folder / logo
    kinds = ", ".join(LOGO_KINDS)
    if path.parent != folder or path.suffix.lower() not in LOGO_KINDS:
        wrong = f'"{logo}" is no picture in this folder'
        return [Mistake(file, "logo", wrong, f"the name of a file here that ends in {kinds}")]
    if not path.is_file():
        return [Mistake(file, "logo", f"{path} is not there", "a file in this folder")]
    if path.stat().st_size > LOGO_MOST:
        allowed = f"at most {LOGO_MOST // 1_000_000} MB, since every sheet holds a copy"
        return [Mistake(file, "logo", f"{path} has {path.stat().st_size / 1e6:.1f} MB", allowed)]
    return []


def _of_paper(file: Path, paper: str) -> list[Mistake]:
    if paper in ("", *PAPERS):
        return []
    return [Mistake(str(file), "paper", f'"{paper}" is not known', " or ".join(PAPERS))]


PAPERS = {"a4": "a4", "letter": "us-letter"}
"""Papers by the name an operator uses, and as Typst calls them."""


def _of_template(path: Path) -> list[Mistake]:
    text = read_text(path, TemplateError, "the template")
    if path.name in FIXED:
        wrong = "this file cannot be replaced: it puts on every page what must stand there"
        return [Mistake(str(path), "", wrong, "take it away")]
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        code = line.partition("//")[0]
        if _OWN_PAGE.search(code):
            wrong = "a template does not set the page: its marks must stand on every one"
            found.append(Mistake(str(path), "", wrong, "everything inside the page", number))
        if _PACKAGE.search(code):
            wrong = "packages from the network are not used"
            found.append(Mistake(str(path), "", wrong, "files in this folder", number))
    return found


def our_templates() -> dict[str, bytes]:
    """Return the templates that ship, by name."""
    folder = resources.files("rig.sheets").joinpath("templates")
    return {
        entry.name: entry.read_bytes()
        for entry in folder.iterdir()
        if entry.name.endswith((".typ", ".toml"))
    }


def copy_templates(rig_folder: Path) -> list[Path]:
    """Write letterhead.toml and our templates into the rig's ``sheets`` folder, to be edited.

    What is there already is left as it is.  Returns the files written.
    """
    folder = rig_folder / FOLDER
    folder.mkdir(exist_ok=True)
    written = []
    for name, content in sorted(our_templates().items()):
        path = folder / name
        if name in FIXED or path.exists():
            continue
        with whole_file(path) as file:
            file.write(content)
        written.append(path)
    return written
