"""Reads a file that some other program exported: it proposes how, asks what it cannot know, then streams samples.

`tables` opens files, `propose` says what is in them and what is not known, `read` gives samples, `bring` has them kept.
No program's own format is known here, only generic words and what the numbers themselves show.
"""
