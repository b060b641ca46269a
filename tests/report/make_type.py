"""Cut the type of the sheets out of DejaVu Sans: ``python tests/report/make_type.py``.

A whole font takes half a second to be cut down for every page; these two files hold what pages are
written with, and where a name needs more, DejaVu Sans itself stands in. Its licence asks that a
changed font bears another name.
"""

from pathlib import Path

import matplotlib
from fontTools import subset

import xraymeasure.report.layout.type as type_of_sheets

CHARACTERS = [
    *range(0x20, 0x7F),
    *range(0xA0, 0x180),
    *range(0x2010, 0x2027),
    *map(ord, "′″←↑→↓−√≈≤≥αβμπσχ■□▲△●◐○◆◇✕✓"),
]
SOURCES = Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def main() -> None:
    for source, bold in (("DejaVuSans.ttf", False), ("DejaVuSans-Bold.ttf", True)):
        options = subset.Options(
            layout_features=[],
            hinting=False,
            notdef_outline=True,
            glyph_names=True,
            recalc_timestamp=False,
            name_IDs=["*"],
            drop_tables=[*subset.Options().drop_tables, "FFTM", "kern"],
        )
        font = subset.load_font(SOURCES / source, options)
        cut = subset.Subsetter(options)
        cut.populate(unicodes=CHARACTERS)
        cut.subset(font)
        look = "Bold" if bold else "Regular"
        names = {
            1: type_of_sheets.NAME,
            2: look,
            4: f"{type_of_sheets.NAME} {look}",
            6: f"{type_of_sheets.NAME.replace(' ', '')}-{look}",
            16: type_of_sheets.NAME,
            17: look,
        }
        for record in list(font["name"].names):
            if record.nameID in names:
                record.string = names[record.nameID]
        font["OS/2"].usWeightClass = 700 if bold else 400
        font.save(type_of_sheets.FOLDER / f"{look.lower()}.ttf")


if __name__ == "__main__":
    main()
