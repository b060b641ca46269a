"""The napari plugin of xraymeasure: place, see, compare, keep. It holds no formula."""
