"""The pure core: values in, values out; no clock, file, port or thread."""
