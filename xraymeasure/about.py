"""What this program is and is not, and the versions it runs on."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

from xraymeasure import __version__

CAUTION = (
    "For research, teaching and audit. Not a medical device. It does not replace a calibrated "
    "clinical system or the judgement of the treating clinician. Local imaging and radiation "
    "protocols rule."
)
"""The one sentence of caution that every page, table and window carries."""

_PACKAGES = (
    "pydicom", "python-gdcm", "pylibjpeg-openjpeg", "pyjpegls", "numpy", "scipy", "scikit-image",
    "matplotlib", "pillow", "tifffile", "pydantic", "pandas", "pyarrow", "distributed", "napari",
    "PySide6",
)  # fmt: skip

_SYNTAXES = {
    "1.2.840.10008.1.2.5": "RLE",
    "1.2.840.10008.1.2.4.57": "JPEG lossless (process 14)",
    "1.2.840.10008.1.2.4.70": "JPEG lossless (process 14, first-order prediction)",
    "1.2.840.10008.1.2.4.80": "JPEG-LS lossless",
    "1.2.840.10008.1.2.4.90": "JPEG 2000 lossless",
}


def about() -> str:
    """Return versions and available decoders, one a line; nothing of user or machine name."""
    from pydicom.pixels.decoders.base import get_decoder

    lines = [
        f"xraymeasure {__version__}",
        f"Python {platform.python_version()} on {platform.system()} {platform.machine()}",
    ]
    for package in _PACKAGES:
        try:
            lines.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            lines.append(f"{package} not installed")
    for uid, name in _SYNTAXES.items():
        decoder = get_decoder(uid)
        plugins = ", ".join(decoder.available_plugins) if decoder.is_available else "no decoder"
        lines.append(f"{name}: {plugins}")
    return "\n".join(lines)
