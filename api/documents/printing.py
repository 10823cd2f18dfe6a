"""Turns data into PDF: tagged (PDF/UA-1), to be kept (PDF/A-2a), the same bytes for the same data.

Nothing is put into markup: the layout reads its data as JSON, so that no name can become a command.
"""

import datetime
import json
from functools import cache
from importlib import resources
from typing import Any, Literal

import typst

from api.clinical_rules.errors import ClinicalRuleError

Layout = Literal["letter", "failsafe_list", "paper", "implant_card", "about_patient"]
_PRINTED_ON_TABLETS = ("paper", "implant_card")


class PrintingError(ClinicalRuleError):
    """Something cannot be printed, a letter that the font lacks for one; never left blank."""


def print_pdf(layout: Layout, data: dict[str, Any], *, on: str, mark: str = "") -> bytes:
    """Return a PDF.

    Parameters
    ----------
    on : str
        Civil date that the file says it was made on.
    mark : str
        What stands behind the text of every page, "" for nothing: of a unit in training (HAZ-52).

    Raises
    ------
    PrintingError
        The font lacks a letter of the text, or the layout cannot take the data.
    """
    noon = datetime.datetime.fromisoformat(f"{on}T12:00:00+00:00")
    try:
        content = typst.compile(
            _read("training_mark") + _read(layout),
            font_paths=_open_fonts(),
            format="pdf",
            sys_inputs={"data": json.dumps(data, ensure_ascii=False), "mark": mark},
            pdf_standards=["ua-1", "a-2a"],
            timestamp=int(noon.timestamp()),
        )
    except typst.TypstError as error:
        raise PrintingError(_say(str(error), layout)) from error
    return bytes(content)


@cache
def _read(template: str) -> bytes:
    return (resources.files("api.documents.templates") / f"{template}.typ").read_bytes()


@cache
def _open_fonts() -> typst.Fonts:
    """Return the fonts that this release carries; those of the machine are left alone.

    Names in Hebrew, Arabic, Armenian and Georgian take signs of the fonts within typst.
    """
    folder = str(resources.files("fontpkg_noto_sans") / "files")
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=True, font_paths=[folder])


def _say(trouble: str, layout: Layout) -> str:
    if "could not be displayed" in trouble:
        lacking = trouble.split("`")[1] if "`" in trouble else "a letter"
        lacks = f"The fonts of the PDF have no sign for {lacking}."
        if layout in _PRINTED_ON_TABLETS:
            return (
                f"{lacks} Print it from a tablet: its browser has more signs and the same content."
            )
        return f"{lacks} Write it in Latin, Greek or Cyrillic letters."
    return f"It cannot be printed ({trouble.splitlines()[0][:120]}). Tell the data manager."
