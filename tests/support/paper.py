"""What is on a page: its text as another program reads it, and its codes as a scanner does."""

from __future__ import annotations

import html
import io
import re
import shutil
import subprocess

import pytest
import zxingcpp
from PIL import Image


def text_of(pdf: bytes) -> str:
    """Return all text of a PDF, blanks as one, by poppler's pdftotext."""
    return re.sub(r"\s+", " ", _read(pdf, "-layout"))


def pages_of(pdf: bytes) -> list[str]:
    """Return the text of each page of a PDF, its lines as they stand, by pdftotext."""
    return _read(pdf, "-layout").split("\f")[:-1]


def words_in(pdf: bytes) -> list[tuple[str, float]]:
    """Return the words of a PDF, each with how far it reaches to the right (pt), by pdftotext.

    What marks where a word may break is left out.
    """
    told = _read(pdf, "-bbox").replace("\u200b", "")
    found = re.findall(r'xMax="([\d.]+)"[^>]*>([^<]+)</word>', told)
    return [(html.unescape(word), float(right_pt)) for right_pt, word in found]


def _read(pdf: bytes, how: str) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) reads the PDFs back, and is not here")
    done = subprocess.run(["pdftotext", how, "-", "-"], input=pdf, capture_output=True, check=True)
    return done.stdout.decode()


def codes_in(png: bytes) -> list[str]:
    """Return the text of every QR code on a picture."""
    with Image.open(io.BytesIO(png)) as image:
        return [found.text for found in zxingcpp.read_barcodes(image.convert("L"))]
