"""The API's description by OpenAPI 3.1, as served at /openapi.json."""

from __future__ import annotations

from typing import Any

import daq
from daq.live.reading import STATES, STATUS_WORDS

Schema = dict[str, Any]

COMMANDS = ("arm", "disarm", "start", "stop", "mark", "cut")
"""Commands that a client may give."""
TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
COUNT: Schema = {"type": "integer", "minimum": 0}
MAYBE: Schema = {"type": ["number", "null"]}
HOST_NS: Schema = {"type": "integer", "description": "host time: CLOCK_MONOTONIC in ns"}
STATE: Schema = {"type": "string", "enum": list(STATES)}
LEVEL: Schema = {"type": "string", "enum": ["ok", "warning", "alarm"]}


def thing(properties: dict[str, Schema], optional: tuple[str, ...] = ()) -> Schema:
    """An object that has these properties and no others."""
    return {
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in optional],
        "additionalProperties": False,
    }


def table(of: Schema) -> Schema:
    """An object by names."""
    return {"type": "object", "additionalProperties": of}


def rows(of: Schema) -> Schema:
    """A list."""
    return {"type": "array", "items": of}


def ref(name: str) -> Schema:
    """A schema by its name."""
    return {"$ref": f"#/components/schemas/{name}"}


RUN = thing(
    {
        "state": {"type": "string", "enum": ["idle", "armed", "recording", "slowing"]},
        "since_ns": HOST_NS,
        "start": {"type": ["integer", "null"], "description": "number of the run's start mark"},
    }
)
DEVICE = thing(
    {
        "wire": TEXT,
        "state": {"type": "string", "enum": ["waiting", "running", "lost", "failed"]},
        "since_ns": HOST_NS,
        "why": TEXT,
        "rows": COUNT,
    }
)
BENCH_STATE = {
    "bench": TEXT,
    "release": TEXT,
    "acquisition": {"type": "string", "description": "'running', or why nothing comes from it"},
    "run": RUN,
    "devices": table(DEVICE),
    "channels": {**thing(dict.fromkeys(STATES, COUNT)), "description": "how many in each state"},
    "limits": {**rows(TEXT), "description": "channels beyond a limit"},
}
CHANNEL = thing(
    {
        "name": TEXT,
        "device": TEXT,
        "stream": TEXT,
        "unit": TEXT,
        "quantity": TEXT,
        "description": TEXT,
        "role": TEXT,
        "listed": {"type": "boolean", "description": "it has a table in the bench file"},
        "low": {**MAYBE, "description": "lowest believable value"},
        "high": {**MAYBE, "description": "highest believable value"},
        "labels": {**table(TEXT), "description": "meaning of raw values, of a state"},
        "raw": {**MAYBE, "description": "as the device gave it"},
        "value": {**MAYBE, "description": "in the channel's unit; null where it has none"},
        "status": rows({"type": "string", "enum": list(STATUS_WORDS.values())}),
        "nominal_rate_hz": MAYBE,
        "rate_hz": {**MAYBE, "description": "achieved of late"},
        "age_s": {**MAYBE, "description": "since the last reading"},
        "state": STATE,
        "why": TEXT,
        "level": LEVEL,
    }
)
COMMAND = thing(
    {
        "command": {"type": "string", "enum": list(COMMANDS)},
        "origin": {**TEXT, "description": "who gives it, as it is recorded"},
        "content": {"type": "object", "description": "recorded with the mark"},
        "t_ns": {**HOST_NS, "description": "the moment that is meant, at most 60 s ago"},
    },
    optional=("origin", "content", "t_ns"),
)
BRIEF: Schema = {
    "type": "array",
    "prefixItems": [MAYBE, MAYBE, MAYBE, STATE, LEVEL],
    "minItems": 5,
    "maxItems": 5,
    "description": "value, age in s, rate in Hz, state, level",
}
SCHEMAS = {
    "State": thing({"t_ns": HOST_NS, **BENCH_STATE, "clients": COUNT}),
    "Channel": CHANNEL,
    "Run": thing({"file": TEXT, "bytes": COUNT, "written": {**TEXT, "format": "date-time"}}),
    "Command": COMMAND,
    "Done": {
        **thing({"ok": {"const": True}, "seq": COUNT, "t_ns": HOST_NS}),
        "additionalProperties": True,
    },
    "Error": thing({"error": {**TEXT, "description": "where: what was found; what was expected"}}),
    "EventWhole": thing(
        {"t_ns": HOST_NS, "state": thing(BENCH_STATE), "channels": rows(ref("Channel"))}
    ),
    "EventValues": thing({"t_ns": HOST_NS, "channels": table(BRIEF)}),
    "EventChannel": thing({"t_ns": HOST_NS, "channel": TEXT, "state": STATE, "why": TEXT}),
    "EventState": thing({"t_ns": HOST_NS, **BENCH_STATE}),
    "EventLimit": thing(
        {
            "t_ns": HOST_NS,
            "channel": TEXT,
            "level": LEVEL,
            "side": {"type": "string", "enum": ["low", "high", ""]},
            "value": NUMBER,
            "bound": MAYBE,
            "load": MAYBE,
        }
    ),
    "EventMark": thing(
        {"kind": TEXT, "seq": COUNT, "t_ns": HOST_NS, "origin": TEXT, "content": {"type": "object"}}
    ),
}
EVENTS = """\
Server-sent events, each encoded once for all clients. `whole` comes first and once: the bench and
every channel. `values` comes 20 times a second, or rate_hz times: every channel's value, age, rate,
state and level. `channel`, `state`, `limit` and `mark` come when something changes. The data of
each is described by the schema Event and its name. `id` counts up by one; a gap is an event that
rate_hz left out. A client that lets 64 events wait is dropped."""


def document() -> dict[str, Any]:
    """The whole description."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "rollerdaq",
            "version": daq.__version__,
            "description": "The bench, live, on a Unix socket. Measures, warns and records; it is"
            " no safety device.",
        },
        "servers": [{"url": "http://localhost"}],
        "paths": PATHS,
        "components": {"schemas": SCHEMAS},
    }


def content_of(schema: Schema) -> Schema:
    """A JSON body."""
    return {"application/json": {"schema": schema}}


def get(name: str, summary: str, schema: Schema, **more: Any) -> Schema:
    """A path that is only read."""
    answers = {"200": {"description": summary, "content": content_of(schema)}}
    answers |= more.pop("refusals", {})
    return {"get": {"operationId": name, "summary": summary, "responses": answers, **more}}


def refusals(*statuses: tuple[str, str]) -> Schema:
    """Refusals by status."""
    return {
        status: {"description": text, "content": content_of(ref("Error"))}
        for status, text in statuses
    }


PATHS: dict[str, Schema] = {
    "/state": get("state", "the bench at one glance", ref("State")),
    "/channels": get("channels", "every channel", rows(ref("Channel"))),
    "/channels/{name}": get(
        "channel",
        "one channel",
        ref("Channel"),
        parameters=[{"name": "name", "in": "path", "required": True, "schema": TEXT}],
        refusals=refusals(("404", "no channel is called so")),
    ),
    "/runs": get("runs", "run files, the latest first", rows(ref("Run"))),
    "/commands": {
        "post": {
            "operationId": "command",
            "summary": "give a command; answered after its commit",
            "requestBody": {"required": True, "content": content_of(ref("Command"))},
            "responses": {
                "200": {"description": "done", "content": content_of(ref("Done"))},
                **refusals(
                    ("400", "the body is not a command"),
                    ("409", "refused, and why"),
                    ("413", "the body is too long"),
                    ("415", "the body is not JSON"),
                ),
            },
        }
    },
    "/events": {
        "get": {
            "operationId": "events",
            "summary": "what happens, as it happens",
            "description": EVENTS,
            "parameters": [
                {
                    "name": "rate_hz",
                    "in": "query",
                    "schema": {"type": "number", "minimum": 0.1, "maximum": 20, "default": 20},
                }
            ],
            "responses": {
                "200": {
                    "description": "events",
                    "content": {"text/event-stream": {"schema": TEXT}},
                },
                **refusals(("400", "the query is not understood")),
            },
        }
    },
    "/openapi.json": get("openapi", "this description", {"type": "object"}),
}
