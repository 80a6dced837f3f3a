"""What devices do by themselves is told, line by line, and the person asked to switch it off."""

from __future__ import annotations

from projector.setup.devicecheck import MIRRORED, DeviceReport, check_devices
from projector.setup.looking import PATIENCE_S, CalibratingError, end_by_key, next_keys
from projector.table.devices import Table

AS_IT_IS = "o"
LOOKED_AGAIN = "then it is looked at again; o goes on as it is, q ends"
GOES_ON = "then it goes on as it is, and the rig says so; q ends"


def checked(table: Table) -> DeviceReport:
    """Look for faults until there are none, or none but those that were told before: then the person decides.

    Raises CalibratingError where one of them is left that no rig can be made with.
    """
    told: set[str] = set()
    while True:
        report = check_devices(table)
        if not report.faults:
            table.teller.tell("seen", what="devices", notes="; ".join(report.notes))
            return report
        for fault in report.faults:
            table.teller.tell("refused", what="devices", why=fault.what, do=str(fault))
        fresh = {fault.what for fault in report.faults} - told
        if not fresh and MIRRORED in report.faults:
            raise CalibratingError(f"{MIRRORED.why}; {MIRRORED.do}")
        table.teller.tell("ask", what="confirm", instead=LOOKED_AGAIN if fresh else GOES_ON)
        as_it_is = AS_IT_IS in _keys(table) or not fresh
        if as_it_is and MIRRORED not in report.faults:
            return report
        told |= fresh


def _keys(table: Table) -> frozenset[str]:
    """The next keys. Raises CalibratingError where none come, or one ends it."""
    keys = next_keys(table, table.clock.now_s() + PATIENCE_S)
    if not keys:
        raise CalibratingError("nothing was switched off for ten minutes; calibrate again when it is")
    end_by_key(keys)
    return keys
