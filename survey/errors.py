"""What stops a survey.

::

    SurveyError                 every refusal: one clear line, exit status 1
    ├── InputError              the network export cannot be read as it is
    │   ├── FormatError         not a file or folder the survey can open
    │   ├── LayerError          a required layer is missing
    │   ├── FieldError          a required field is missing
    │   └── CrsError            no usable coordinate system
    ├── SettingsError           the settings file says something that cannot be
    ├── OutputError             results cannot be written or read back
    ├── ModelError              a value outside the physical model
    └── ArgumentError           the library was called with what it does not take

Bad data inside a layer never raise; they become a :class:`survey.findings.Finding`.
"""

from collections.abc import Iterator
from contextlib import contextmanager


class SurveyError(Exception):
    """A refusal, worded for the person who runs the survey.

    Parameters
    ----------
    message
        One line: where, what was found, what was expected, what to do next.
    """


class InputError(SurveyError):
    """The network export cannot be read as it is."""


class FormatError(InputError):
    """The path is not something the survey can open."""


class LayerError(InputError):
    """A required layer is missing."""


class FieldError(InputError):
    """A required field is missing from a layer."""


class CrsError(InputError):
    """A layer has no coordinate system, or one that cannot be used."""


class SettingsError(SurveyError):
    """The settings file says something that cannot be."""


class OutputError(SurveyError):
    """Results cannot be written, or read back."""


class ModelError(SurveyError):
    """A value lies outside the physical model."""


class ArgumentError(SurveyError, TypeError):
    """The library was called with arguments that it does not take."""


@contextmanager
def permitted() -> Iterator[None]:
    """Refuse a path that this account may not look into: even asking whether it is there raises ``PermissionError``.

    Raises
    ------
    SurveyError
        The path and what to do.
    """
    try:
        yield
    except PermissionError as error:
        msg = f"{error.filename}: {error.strerror}; ask for the right to use it, or give another path"
        raise SurveyError(msg) from error
