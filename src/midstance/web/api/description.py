"""The API's own description (OpenAPI): what the framework writes, put right where this server answers otherwise."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from midstance.web.api.schemas import Problem

_REF = "#/components/schemas/{model}"
WORDS = """
All answers are JSON unless an operation says otherwise. Ids are 16 hexadecimal digits. Times of films are seconds of real
time from the first picture; lengths are metres, masses kilograms, speeds metres a second, angles degrees, places in pictures
px of the upright picture. Lists are `{"items": […], "next": …}`; `next` is the `after` of the following part, null at the
end.

Changes send the `version` that was read. If somebody else changed the thing meanwhile, the answer is 409 with what is there
now as `current`, and nothing is overwritten. Errors are problem documents (RFC 9457).

Programs on this machine need nothing else. Browsers send the header `X-CSRF-Token` with changes; it is in every page. Where
accounts are used, `POST /api/signin` gives a key for `Authorization: Bearer KEY`.
"""


def describe(app: FastAPI, tags: list[dict[str, str]]) -> dict[str, Any]:
    """Return the description of the API of an application."""
    description = get_openapi(
        title=app.title,
        version=app.version,
        summary=app.summary,
        description=WORDS.strip(),
        routes=app.routes,
        tags=tags,
        license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
    )
    components = description.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    schemas["Problem"] = Problem.model_json_schema(ref_template=_REF, mode="serialization")
    for name in ("HTTPValidationError", "ValidationError"):  # problem documents take their place
        schemas.pop(name, None)
    login = {"type": "http", "scheme": "bearer", "description": "the key of a login; only where accounts are used"}
    components["securitySchemes"] = {"login": login}
    description["security"] = [{}, {"login": []}]
    for path in description["paths"].values():
        for operation in path.values():
            answers = operation["responses"]
            content = answers.get("422", {}).get("content", {})
            if "application/json" in content:
                del answers["422"]
    return description
