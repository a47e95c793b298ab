"""A server that takes a FHIR R4 transaction as the specification says, and nothing more.

Sections of hl7.org/fhir/R4/http.html, from memory: 3.1.0.11 (transaction: all or nothing, references by ``fullUrl``
rewritten, no resource twice), 3.1.0.8.1 (conditional create by ``If-None-Exist``: no match creates, one match is
ignored with 200, several are 412). Resources are kept in memory.
"""

from __future__ import annotations

import copy
import re
from typing import Any
from urllib.parse import unquote

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

TYPES = {"Patient", "Device", "Observation", "DiagnosticReport"}


class RefusedError(Exception):
    def __init__(self, status: int, why: str) -> None:
        super().__init__(why)
        self.status = status


def split(text: str) -> list[str]:
    return re.split(r"(?<!\\)\|", text)


def plain(text: str) -> str:
    return re.sub(r"\\([\\$,|])", r"\1", text)


class Store:
    def __init__(self) -> None:
        self.kept: dict[str, dict[str, Any]] = {}

    def search(self, kind: str, query: str) -> list[str]:
        name, _, value = query.partition("=")
        if name != "identifier":
            raise RefusedError(400, f"no search by {name}")
        system, number = map(plain, split(unquote(value)))
        return [
            place
            for place, resource in self.kept.items()
            if resource["resourceType"] == kind
            and any(i.get("system") == system and i.get("value") == number for i in resource["identifier"])
        ]

    def transaction(self, bundle: dict[str, Any]) -> list[dict[str, Any]]:
        places, new, answers = {}, {}, []
        for entry in bundle["entry"]:
            request, resource = entry.get("request"), entry["resource"]
            if request is None:
                raise RefusedError(400, "an entry of a transaction has no request")
            kind = resource["resourceType"]
            if request["method"] != "POST" or request["url"] != kind or kind not in TYPES:
                raise RefusedError(400, f"cannot {request['method']} {request['url']} with a {kind}")
            if entry["fullUrl"] in places:
                raise RefusedError(400, "two entries have one fullUrl")
            found = self.search(kind, request["ifNoneExist"]) if "ifNoneExist" in request else []
            if len(found) > 1:
                raise RefusedError(412, "several resources match")
            place = found[0] if found else f"{kind}/{len(self.kept) + len(new) + 1}"
            places[entry["fullUrl"]] = place
            if not found:
                new[place] = resource
            answers.append(
                {
                    "response": {
                        "status": "200 OK" if found else "201 Created",
                        "location": f"{place}/_history/1",
                    }
                }
            )
        self.kept |= {place: self.linked(resource, places) for place, resource in new.items()}
        return answers

    def linked(self, resource: dict[str, Any], places: dict[str, str]) -> dict[str, Any]:
        def walk(value: Any) -> Any:
            if isinstance(value, list):
                return [walk(each) for each in value]
            if not isinstance(value, dict):
                return value
            made = {key: walk(each) for key, each in value.items()}
            if isinstance(made.get("reference"), str):
                if made["reference"] not in places:
                    raise RefusedError(400, f"{made['reference']} is not in the transaction")
                made["reference"] = places[made["reference"]]
            return made

        return walk(copy.deepcopy(resource))


def server(store: Store) -> Starlette:
    async def root(request: Request) -> Response:
        body = await request.json()
        if body.get("resourceType") != "Bundle" or body.get("type") != "transaction":
            outcome = {
                "severity": "error",
                "code": "not-supported",
                "diagnostics": "only a transaction is taken",
            }
            return JSONResponse({"resourceType": "OperationOutcome", "issue": [outcome]}, 400)
        try:
            entries = store.transaction(body)
        except RefusedError as error:
            outcome = {"severity": "error", "code": "processing", "diagnostics": str(error)}
            return JSONResponse({"resourceType": "OperationOutcome", "issue": [outcome]}, error.status)
        return JSONResponse({"resourceType": "Bundle", "type": "transaction-response", "entry": entries})

    return Starlette(routes=[Route("/", root, methods=["POST"])])
