"""What tests have counted and measured, told at the end of the run.

A test that asks for the fixture ``figures`` is given what says a line; whichever process runs it,
the line is printed with all the others when everything is over.
"""

from collections.abc import Callable

Figures = Callable[[str], None]
NAME = "figures"
"""What the lines are called among the properties that pytest keeps with a test's report."""
