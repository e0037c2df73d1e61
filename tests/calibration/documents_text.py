"""How the tests of the documents read a PDF."""

import re
import shutil
import subprocess

import pytest


def pages(pdf):
    """Return how many pages a PDF has."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def text_of(pdf):
    """Return a PDF's text in one line, or skip where the reader is missing."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    done = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True)
    return " ".join(done.stdout.decode().split())
