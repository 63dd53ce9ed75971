"""``python -m survey`` does the same as the ``survey`` command."""

from survey.cli import process

if __name__ == "__main__":
    process()
