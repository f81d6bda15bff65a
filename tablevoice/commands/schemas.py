"""The JSON Schemas of everything that people and programs write for a table, or read from it.

Knows where each is made. Called by ``tablevoice schema``.
"""

from __future__ import annotations

from typing import Any

from tablevoice.cell import cell_schema
from tablevoice.commands.check_json import check_schema
from tablevoice.errors import TablevoiceError
from tablevoice.evaluation.report_folder import results_schema
from tablevoice.links import messages
from tablevoice.nearest import advice
from tablevoice.phrasebook import phrasebook_schema
from tablevoice.phrasebook.desk.word_lists import word_list_schema
from tablevoice.watching.health_file import health_schema

SCHEMAS = {
    "phrasebook": phrasebook_schema,
    "word_list": word_list_schema,
    "cell": cell_schema,
    "messages": messages.json_schema,
    "results": results_schema,
    "check": check_schema,
    "health": health_schema,
}


def schema_of(what: str) -> dict[str, Any]:
    """The schema of that name. Raises TablevoiceError, naming the nearest, for another."""
    if what not in SCHEMAS:
        raise TablevoiceError(f"There is no schema of {what!r}.", do=advice(what, SCHEMAS))
    return SCHEMAS[what]()
