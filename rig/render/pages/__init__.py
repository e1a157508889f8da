"""Pages for people: post-mortems and reports as one self-contained HTML file, or as Markdown with pictures.

What a page says is a list of blocks; ``html`` and ``markdown`` turn blocks into text and are the only
places that know how foreign words are made harmless there.
"""
