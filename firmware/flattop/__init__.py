r"""flattop: a field meter that sees the tops of a wave go flat.

    terminals -> front end -> converters -> Samples -> measure -> Reading -> tuning -> panel (screen, lamp, sounder)
                                                                     \-> record (log, report)

Imports go one way only, downward from the command line to the error tree (DEVELOPERS.md).
"""

__version__ = "0.1.0"
