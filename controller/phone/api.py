"""The same data and orders for programs: JSON, described by an OpenAPI document.

A program gets a session as a browser does (a cookie) and sends its form token in a header of its own, which
no page of another origin can do unasked.
"""

import json
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from controller import __version__
from controller.bus.messages import StatusPayload
from controller.phone.access import Access, RefusedError, is_own_origin
from controller.phone.courier import By, Passed
from controller.phone.door import LOOPBACK_NAMES
from controller.phone.hand import Hand, by_whom
from controller.phone.metrics import MEDIA_TYPE, metrics_of
from controller.phone.orders import Position
from controller.phone.screen import Screen
from controller.phone.words import say
from controller.phone.work import What

TOKEN_HEADER = "x-rimeward-form"  # noqa: S105 (a header's name)


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)


class OrderWish(_Strict):
    """An order, as a program asks for it."""

    target: str = Field(max_length=60, description='"all", "tree:<name>" or "vent:<name>"')
    order: Position
    until: int | None = Field(default=None, ge=0, lt=10**11, description="end, UTC seconds since 1970")
    sure: bool = Field(default=False, description="agrees to what keeping heat off a tree can cost")
    consent: str = Field(default="", max_length=80, description='"let the <name> go": its fruit may freeze')


class ConfirmWish(_Strict):
    """What somebody says was done, as a program passes it on."""

    what: What
    target: str = Field(max_length=60, description='"all", "tree:<name>", or "vent:<name>" with "vents-shut"')


class AcknowledgeWish(_Strict):
    """An alarm that somebody has."""

    key: str = Field(min_length=1, max_length=100, description='the key of an alarm, or "all"')


class UndoWish(_Strict):
    """An order or a word to be taken back, by its id."""

    of: str = Field(min_length=1, max_length=64)


class LoginWish(_Strict):
    """Who wants in."""

    who: str = Field(min_length=1, max_length=40)
    password: str = Field(max_length=200)


class SessionView(_Strict):
    """A session, and the token that orders must carry in ``x-rimeward-form``."""

    who: str
    form: str


class OrderView(_Strict):
    """What became of an order; ``accepted`` is null as long as the guard has not answered."""

    id: str = ""
    accepted: bool | None = None
    because: str = ""
    consequence: tuple[str, ...] = ()


class Fault(_Strict):
    """Why something was not done."""

    fault: str


W = TypeVar("W", bound=_Strict)


class Api:
    """The routes for programs."""

    def __init__(self, screen: Screen, access: Access, hand: Hand) -> None:
        self._screen, self._access, self._hand = screen, access, hand
        self._described = json.dumps(describe(), separators=(",", ":")).encode()

    async def status(self, request: Request) -> Response:
        """Answer with the controller's latest status and its age."""
        if self._access.session(request) is None:
            return _fault(401, say("refused-session"))
        heard = self._screen.watch.heard
        if heard.status is None:
            return _fault(503, say("never-heard"))
        age_s = heard.age_s(self._screen.clock)
        return JSONResponse({"age_s": round(age_s, 1), "status": heard.status.model_dump(mode="json")})

    async def session(self, request: Request) -> Response:
        """Answer with who asks and the token of their orders."""
        session = self._access.session(request)
        if session is None:
            return _fault(401, say("refused-session"))
        token = self._access.store.form_token(session.token)
        response = JSONResponse(SessionView(who=session.who, form=token).model_dump())
        self._access.remember(response, session)
        return response

    async def log_in(self, request: Request) -> Response:
        """Begin a session."""
        try:
            wish = LoginWish.model_validate_json(await self._body(request))
            session = await self._access.let_in(request, wish.who, wish.password)
        except RefusedError as refused:
            return _fault(refused.status, str(refused))
        except ValidationError as error:
            return _fault(422, _faults(error))
        token = self._access.store.form_token(session.token)
        response = JSONResponse(SessionView(who=session.who, form=token).model_dump())
        self._access.remember(response, session)
        return response

    async def order(self, request: Request) -> Response:
        """Pass an order to the guard and answer with what it said."""

        async def act(wish: OrderWish, by: By) -> Response:
            form = {"target": wish.target, "order": wish.order, "until": str(wish.until or "")}
            wanted = self._hand.wanted(form | {"sure": "yes" if wish.sure else "", "consent": wish.consent})
            if sentences := self._hand.consequence(wanted):
                return JSONResponse(OrderView(consequence=sentences).model_dump(mode="json"), 409)
            return _told(await self._hand.courier.order(wanted, by))

        return await self._change(request, OrderWish, act)

    async def confirm(self, request: Request) -> Response:
        """Pass on that something was done and answer with what the guard said."""

        async def act(wish: ConfirmWish, by: By) -> Response:
            word = self._hand.word({"what": wish.what, "target": wish.target})
            return _told(await self._hand.courier.word(word, by))

        return await self._change(request, ConfirmWish, act)

    async def acknowledge(self, request: Request) -> Response:
        """Pass on that somebody has an alarm and answer with what the guard said."""

        async def act(wish: AcknowledgeWish, by: By) -> Response:
            return _told(await self._hand.acknowledged(wish.key, by))

        return await self._change(request, AcknowledgeWish, act)

    async def undo(self, request: Request) -> Response:
        """Let stand again what stood before and answer with what the guard said."""

        async def act(wish: UndoWish, by: By) -> Response:
            return _told(await self._hand.undone(wish.of, by))

        return await self._change(request, UndoWish, act)

    async def _change(
        self, request: Request, kind: type[W], act: Callable[[W, By], Awaitable[Response]]
    ) -> Response:
        """Let a sound wish of somebody who may be acted upon; answer any other with why not."""
        try:
            session = self._access.session(request)
            if session is None:
                return _fault(401, say("refused-session"))
            body = await self._body(request)
            self._access.check(request.headers.get(TOKEN_HEADER, ""), session)
            return await act(kind.model_validate_json(body), by_whom(request, session))
        except RefusedError as refused:
            return _fault(refused.status, str(refused))
        except ValidationError as error:
            return _fault(422, _faults(error))

    async def metrics(self, request: Request) -> Response:
        """Answer with OpenMetrics text, to this machine only."""
        name = request.headers.get("host", "").rpartition(":")[0] or request.headers.get("host", "")
        client = request.client.host if request.client else ""
        if name not in LOOPBACK_NAMES or client not in {"127.0.0.1", "::1"}:
            return _fault(403, say("refused-elsewhere"))
        heard = self._screen.watch.heard
        text = metrics_of(heard.status, heard.age_s(self._screen.clock))
        return Response(text, media_type=MEDIA_TYPE)

    async def describe(self, _request: Request) -> Response:
        """Answer with the OpenAPI document."""
        return Response(self._described, media_type="application/json")

    async def _body(self, request: Request) -> bytes:
        if request.headers.get("origin") is not None and not is_own_origin(request):
            raise RefusedError(403, say("refused-origin"))
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            raise RefusedError(415, say("refused-kind"))
        return await self._access.body(request)


def _fault(status: int, text: str) -> Response:
    return JSONResponse(Fault(fault=text).model_dump(), status)


def _told(passed: Passed) -> Response:
    """Answer with the id of what was passed on and with what the guard said."""
    answer = passed.answer
    view = OrderView(
        id=passed.id,
        accepted=answer.accepted if answer else None,
        because=answer.because if answer else "",
    )
    return JSONResponse(view.model_dump(mode="json"))


def _faults(error: ValidationError) -> str:
    return "; ".join(
        f"{'.'.join(map(str, each['loc'])) or 'body'}: {each['msg']}"
        for each in error.errors(include_url=False, include_context=False, include_input=False)[:5]
    )


def describe() -> dict[str, Any]:
    """Return the OpenAPI 3.1 document of these routes."""
    wishes = (OrderWish, ConfirmWish, AcknowledgeWish, UndoWish, LoginWish)
    models = (*wishes, SessionView, OrderView, Fault, StatusPayload)
    schemas: dict[str, Any] = {}
    for model in models:
        schema = model.model_json_schema(
            ref_template="#/components/schemas/{model}",
            mode="validation" if model in wishes else "serialization",
        )
        schemas |= schema.pop("$defs", {})
        schemas[model.__name__] = schema
    heard = {
        "type": "object",
        "required": ["age_s", "status"],
        "properties": {"age_s": {"type": "number"}, "status": _ref("StatusPayload")},
    }
    text = {"description": "OpenMetrics 1.0", "content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}
    header = {
        "name": TOKEN_HEADER,
        "in": "header",
        "required": True,
        "schema": {"type": "string"},
        "description": "the session's form token",
    }
    view, faults = _ref("OrderView"), ("401", "403", "415", "422", "429")
    order = _route("Order something", view, *faults, body="OrderWish") | {"parameters": [header]}
    confirm = _route("Say that something was done", view, *faults, body="ConfirmWish")
    have = _route("Say that somebody has an alarm", view, *faults, body="AcknowledgeWish")
    undo = _route("Take an order or a word back", view, *faults, body="UndoWish")
    order["responses"]["409"] = _json("agree to the consequence with sure", _ref("OrderView"))
    return {
        "openapi": "3.1.0",
        "info": {"title": "Rimeward", "version": __version__},
        "paths": {
            "/api/status": {"get": _route("The controller's latest status", heard, "401", "503")},
            "/api/session": {"get": _route("Who asks", _ref("SessionView"), "401")},
            "/api/login": {
                "post": _route("Log in", _ref("SessionView"), "403", "415", "422", "429", body="LoginWish")
            },
            "/api/orders": {"post": order},
            "/api/confirmations": {"post": confirm | {"parameters": [header]}},
            "/api/acknowledge": {"post": have | {"parameters": [header]}},
            "/api/undo": {"post": undo | {"parameters": [header]}},
            "/metrics": {
                "get": {
                    "summary": "For monitoring, on this machine only",
                    "responses": {"200": text, "403": _json("elsewhere", _ref("Fault"))},
                }
            },
        },
        "components": {"schemas": schemas},
    }


def _ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _json(text: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"description": text, "content": {"application/json": {"schema": schema}}}


def _route(summary: str, schema: dict[str, Any], *faults: str, body: str = "") -> dict[str, Any]:
    responses = {"200": _json(summary, schema)}
    responses |= {status: _json("not done", _ref("Fault")) for status in faults}
    route: dict[str, Any] = {"summary": summary, "responses": responses}
    if body:
        route["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": _ref(body)}},
        }
    return route
