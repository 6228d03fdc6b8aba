#!/usr/bin/env python3
"""Holds JSON files against docs/schema with python3-jsonschema: validate.py SCHEMAS FILE...

Each file names its format; the schema must know it, and every field of it: a field that is written
and not described is a mistake of ours, though readers are told to put up with more fields.
"""
import json
import pathlib
import sys

import jsonschema


def parts_of_others(schema):
    """What an allOf puts together with more fields."""
    if isinstance(schema, list):
        return set().union(*map(parts_of_others, schema))
    if not isinstance(schema, dict):
        return set()
    found = {part["$ref"].rsplit("/", 1)[-1] for part in schema.get("allOf", []) if "$ref" in part}
    return found.union(*map(parts_of_others, schema.values()))


def closed(schema, parts):
    """The same schema without room for fields that it does not describe."""
    if isinstance(schema, list):
        return [closed(s, parts) for s in schema]
    if not isinstance(schema, dict):
        return schema
    out = {k: v if k in parts else closed(v, parts) for k, v in schema.items()}
    if "properties" in schema and schema.get("type") == "object":
        together = "allOf" in schema
        out.setdefault("unevaluatedProperties" if together else "additionalProperties", False)
    return out


def schemas(folder):
    found = {}
    for path in sorted(pathlib.Path(folder).glob("*.json")):
        schema = json.loads(path.read_text("utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        about = schema["properties"]["format"]
        for name in about.get("enum", [about.get("const")]):
            found[name] = jsonschema.Draft202012Validator(closed(schema, parts_of_others(schema)))
    return found


def main():
    known = schemas(sys.argv[1])
    wrong = 0
    for path in sys.argv[2:]:
        document = json.loads(pathlib.Path(path).read_text("utf-8"))
        name = document.get("format")
        errors = list(known[name].iter_errors(document)) if name in known else ["no such format"]
        for error in errors[:3]:
            where = "" if isinstance(error, str) else "/".join(map(str, error.absolute_path))
            print(f"{path}: {where}: {str(getattr(error, 'message', error))[:200]}")
        wrong += bool(errors)
    return wrong


if __name__ == "__main__":
    sys.exit(main())
