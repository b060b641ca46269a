"""DICOM files: attributes, greys, pixels and identity, read with words for what is wrong."""
