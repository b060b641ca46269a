"""How often a strong finding is drawn by a film and a reading with nothing wrong.

Run as ``python -m tests.benchmarks.bench_sound [--bodies N]``. Two kinds of films: bodies cast by
the tests' own camera, without a picture, in wide postures; and rendered films of many kinds of
implant (flanged, holed, opaque, cemented shells, clipped and sharpened greys), each read some
times by a simulated reader. At most 1 strong finding in 200 is allowed.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from dataclasses import replace

import numpy as np

from tests.posed import WIDE, posed_film
from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.measure import measure
from xraymeasure.phantom.reader import simulate_reading
from xraymeasure.phantom.render import picture
from xraymeasure.phantom.variants import VARIANTS, random_scenario
from xraymeasure.reading.file import parse_reading
from xraymeasure.reading.reading import FilmBinding

ALSO = ("rim_off_metal", "trochanters_disagree", "shaft_crooked", "shaft_off_bone", "outline_oval")
"""Warnings that a sound film should hardly ever draw."""


def strong(film, reading) -> list[str]:
    """Return the codes of the strong findings, and of some warnings."""
    found = measure(film, reading, draws=0).findings
    return [
        f"{each.code} ({each.severity})"
        for each in found
        if each.severity == "strong" or each.code in ALSO
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=int, default=200, help="posed bodies without a picture")
    parser.add_argument("--films", type=int, default=3, help="rendered films of each kind")
    parser.add_argument("--readings", type=int, default=8, help="readings of each of them")
    parser.add_argument("--pitch", type=float, default=0.4, help="mm, of the rendered films")
    options = parser.parse_args()
    said: Counter[str] = Counter()
    for seed in range(options.bodies):
        _, film, reading, _ = posed_film(np.random.default_rng([7, seed]), WIDE)
        said.update(strong(film, replace(reading, film=FilmBinding(None, film.pixel_sha256))))
    print(f"{options.bodies} posed bodies: {dict(said)}", flush=True)
    for variant in VARIANTS:
        said = Counter()
        for seed in range(options.films):
            scenario = random_scenario(variant, 500 + seed, options.pitch)
            pixels = picture(scenario, bone_spacing_mm=1.5)
            film = film_from_array(
                pixels,
                pitch_mm=scenario.geometry.pitch_mm,
                source_detector_mm=scenario.geometry.source_detector_mm,
            )
            for turn in range(options.readings):
                record = simulate_reading(scenario, np.random.default_rng([seed, turn]))
                record["film"]["pixel_sha256"] = film.pixel_sha256
                said.update(strong(film, parse_reading(json.dumps(record))))
        print(
            f"{variant:14s} {options.films * options.readings} readings: {dict(said)}", flush=True
        )


if __name__ == "__main__":
    main()
