"""One command as a user gives it, and what it answers."""

from rig.cli import main


def halfturn(capsys, *words):
    """Return status, standard output and standard error of one command."""
    try:
        status = main(list(words))
    except SystemExit as error:  # argparse ends so
        status = error.code
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    return status, out.out, out.err
