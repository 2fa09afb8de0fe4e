"""The example folders that are shipped: the tiny set in full, the full set compressed and without contacts."""

from __future__ import annotations

import shutil
from pathlib import Path

from planner.demo.make import DEFAULT_SEED, DemoReport, make_demo


def make_examples(folder: str | Path) -> tuple[DemoReport, DemoReport]:
    """Make ``tiny`` and ``medium`` anew in a folder, replacing what stands there under these names.

    Parameters
    ----------
    folder : str or Path
        The folder ``data_examples``.

    Returns
    -------
    DemoReport, DemoReport
        Of the tiny and of the medium set. The medium set is the full programme without the table of contacts.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder = Path(folder)
    for name in ("tiny", "medium"):
        if (folder / name).exists():
            shutil.rmtree(folder / name)
    tiny = make_demo(folder / "tiny", "tiny", DEFAULT_SEED)
    medium = make_demo(folder / "medium", "full", DEFAULT_SEED, with_scans=False, compress=True)
    return tiny, medium
