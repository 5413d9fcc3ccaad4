"""What is on a page: its text as another program reads it, and its codes as a scanner does."""

from __future__ import annotations

import io
import re
import shutil
import subprocess

import pytest
import zxingcpp
from PIL import Image


def text_of(pdf: bytes) -> str:
    """Return all text of a PDF, blanks as one, by poppler's pdftotext."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) reads the PDFs back, and is not here")
    done = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True
    )
    return re.sub(r"\s+", " ", done.stdout.decode())


def codes_in(png: bytes) -> list[str]:
    """Return the text of every QR code on a picture."""
    with Image.open(io.BytesIO(png)) as image:
        return [found.text for found in zxingcpp.read_barcodes(image.convert("L"))]
