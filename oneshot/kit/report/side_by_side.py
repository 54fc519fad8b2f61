"""What the command line says of many sessions side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from oneshot.kit.report.lines import BLANK, Line, plain, table
from oneshot.kit.report.text import size


def batch_lines(record: Mapping[str, Any]) -> list[Line]:
    """A batch as lines: a table of the kits, then what failed and why."""
    rows = [["session", "hits", "kept", "drums", "files", "size", "warnings", ""]]
    for row in record["sessions"]:
        if row["error"] is None:
            rows.append([row["session"], str(row["hits"]), str(row["kept"]), str(row["drums"]), str(row["files"]),
                         size(row["size_bytes"]), str(row["warnings"]), "unchanged" if row["unchanged"] else "built"])
        else:
            rows.append([row["session"], "-", "-", "-", "-", "-", "-", "failed"])
    head, *body = table(rows, right=(1, 2, 3, 4, 5, 6))
    failed = [row for row in record["sessions"] if row["error"] is not None]
    same = sum(row["unchanged"] for row in record["sessions"])
    done = len(record["sessions"]) - len(failed) - same
    before = f", {same} finished before" if same else ""
    lines: list[Line] = [("head", head), *(("text", line) for line in body), BLANK,
                         ("text", plain(f"{done} of {len(rows) - 1} built in {record['out']}{before}; see each kit's "
                                        "report for its warnings."))]
    if failed:
        lines += [BLANK, ("warn", f"Failed: {len(failed)}"),
                  *(("text", plain(f"  {row['session']}: {row['error']}")) for row in failed)]
    return lines
