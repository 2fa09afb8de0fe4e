"""The practice programme for the pages: its records, and a register made of them."""

from __future__ import annotations

from pathlib import Path

from broodstock.errors import UsageError

REGISTER = "records.kinshoal"


def practice_place(folder: Path, tiny: bool = False) -> str:
    """Make the practice records and a register of them where they are missing; return the register's path.

    Parameters
    ----------
    folder : Path
        New or empty folder, or one made by this function or by the demo.
    tiny : bool
        The small programme.

    Raises
    ------
    UsageError
        If the folder holds files that no demo made.
    """
    from planner.demo.make import DEFAULT_SEED, make_demo
    from planner.tasks.register_state import import_into, new_register

    register = folder / REGISTER
    if register.exists():
        return str(register)
    records = folder / "records"
    if not (records / "datapackage.json").exists():
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(
                f"{folder}: found files that no demo made. Expected a new or empty folder. Name another."
            )
        make_demo(records, size="tiny" if tiny else "full", seed=DEFAULT_SEED)
    making = folder / f".{REGISTER}"
    making.unlink(missing_ok=True)
    new_register(making)
    import_into(making, records, who="practice", reason="the invented practice programme", write=True)
    making.rename(register)
    return str(register)
