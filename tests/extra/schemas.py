"""Holds what the tests left (`SPINTRUE_LEAVE`) against published schemas, by the general-purpose validator
jsonschema-rs: records against `docs/schema`, logs of `check` against the schema of SARIF 2.1.0 that OASIS publishes.

Readers must take keys that a schema of ours does not name; here a key without a place in it is an error."""

import gzip
import json
import sys
from pathlib import Path

import jsonschema_rs

VERSION = 2


def closed(schema):
    """A schema that takes no other keys than it names."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    keys = {key: closed(value) for key, value in schema.items()}
    if "properties" in keys and keys.get("type") == "object":
        keys.setdefault("additionalProperties", False)
    return keys


def read(name):
    schema = json.loads(Path("docs/schema", name).read_text("utf-8"))
    jsonschema_rs.meta.validate(schema)
    return closed(schema)


def validators():
    every = read("events.json")
    events = {
        one["$ref"].removeprefix("#/$defs/"): jsonschema_rs.validator_for({"$ref": one["$ref"], "$defs": every["$defs"]})
        for one in every["oneOf"]
    }
    return jsonschema_rs.validator_for(read("record.json")), events


def sarif():
    # The published pattern of languages has a bracket too many, which strict regular expressions refuse. The same
    # pattern, escaped; no log of ours has the field.
    text = Path("tests/sarif/sarif-2.1.0.schema.json").read_text("utf-8").replace("{2}]?$", "{2}\\\\]?$")
    return jsonschema_rs.validator_for(json.loads(text))


def hold(validator, value, place):
    errors = [f"{list(error.instance_path)}: {error.message}" for error in validator.iter_errors(value)]
    if errors:
        sys.exit(f"{place}: " + "\n".join(errors))


def refused(validator, value):
    """A validator that refuses nothing says nothing."""
    if validator.is_valid(value):
        sys.exit(f"taken, although wrong: {value}")


def main(left):
    record, events = validators()
    note = {"event": "note", "time": 0.5, "text": "locked"}
    hold(events["note"], note, "a note")
    for wrong in ({"event": "note", "time": 0.5, "words": "locked"}, note | {"time": -0.5}, {"event": "note", "text": ""}):
        refused(events["note"], wrong)
    records = lines = 0
    for place in sorted(left.glob("*/record.json")):
        kept = place.with_name("events.jsonl.gz")
        try:
            whole = json.loads(place.read_text("utf-8"))
        except ValueError:
            continue
        # What a test damaged, or took from version 1, is left out.
        file = whole.get("files", {}).get("events.jsonl.gz", {})
        if whole.get("version") != VERSION or not kept.is_file() or file.get("bytes") != kept.stat().st_size:
            continue
        hold(record, whole, place)
        records += 1
        for line in gzip.decompress(kept.read_bytes()).decode("utf-8").rstrip("\n").split("\n"):
            event = json.loads(line)
            if event["event"] not in events:
                sys.exit(f"{place}: no schema of {event['event']}")
            hold(events[event["event"]], event, place)
            lines += 1
    logs = [json.loads(place.read_text("utf-8")) for place in sorted(left.glob("*/sarif.json"))]
    results = [result for log in logs for result in log["runs"][0]["results"]]
    published = sarif()
    for log in logs:
        hold(published, log, "a log")
    broken = next(log for log in logs if log["runs"][0]["results"])
    broken["runs"][0]["results"][0]["level"] = "fatal"
    refused(published, broken)
    if records < 20 or len(results) < 200:
        sys.exit(f"too few: {records} records, {len(results)} results")
    print(f"{records} records with {lines} events, {len(logs)} logs with {len(results)} results: all as published")


main(Path(sys.argv[1]))
