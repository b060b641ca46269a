from pathlib import Path

import matplotlib
import pytest
from fontTools.pens.recordingPen import RecordingPen
from fontTools.ttLib import TTFont

from xraymeasure.report.layout.type import FOLDER


def outline(font, character):
    pen = RecordingPen()
    name = font.getBestCmap()[character]
    font.getGlyphSet()[name].draw(pen)
    return font["hmtx"][name][0], pen.value


@pytest.mark.parametrize(
    ("cut", "whole"), [("regular.ttf", "DejaVuSans.ttf"), ("bold.ttf", "DejaVuSans-Bold.ttf")]
)
def test_the_letters_are_those_of_the_font_they_were_cut_from(cut, whole):
    ours = TTFont(FOLDER / cut)
    theirs = TTFont(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / whole)
    # What no page does without, and a sample of the letters of names.
    for character in "Ax0−±°√²▲△●◐○×éßŁő":
        assert outline(ours, ord(character)) == outline(theirs, ord(character))
