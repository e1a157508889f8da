"""Pictures of readings and intervals: measured out once, drawn as SVG or PNG.

A ``Drawing`` is a list of lines, areas, signs and labels in pixels; ``svg`` and ``png`` turn it into a
file. SVG is written here rather than by a plotting library: a panel takes a tenth of the bytes, text
stays text, colours follow the reader's light or dark setting, and nothing is loaded at start-up.
"""
