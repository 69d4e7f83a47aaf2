"""The page's routes, behind its door."""

from collections.abc import Callable

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from controller.phone.access import Access, RefusedError
from controller.phone.api import Api
from controller.phone.door import Door, headers_for
from controller.phone.hand import Hand
from controller.phone.installed import Installed
from controller.phone.screen import Screen
from controller.phone.words import say

STREAM = "/events"


async def _well(_request: Request) -> Response:
    """Answer that the page itself runs."""
    return PlainTextResponse("ok\n")


async def _icon(_request: Request) -> Response:
    """Answer that there is no icon, so that browsers report no fault."""
    return Response(status_code=204)


def routes_of(hand: Hand, api: Api) -> list[Route]:
    """Return every route there is; whatever changes something is a POST."""
    return [
        Route("/", hand.show, methods=["GET"]),
        Route(STREAM, hand.stream, methods=["GET"]),
        Route("/login", hand.ask, methods=["GET"]),
        Route("/login", hand.log_in, methods=["POST"]),
        Route("/logout", hand.log_out, methods=["POST"]),
        Route("/hand", hand.order, methods=["POST"]),
        Route("/confirm", hand.confirm, methods=["POST"]),
        Route("/acknowledge", hand.acknowledge, methods=["POST"]),
        Route("/undo", hand.undo, methods=["POST"]),
        Route("/tap/{link}", hand.show_link, methods=["GET"]),
        Route("/tap", hand.use_link, methods=["POST"]),
        Route("/api/status", api.status, methods=["GET"]),
        Route("/api/session", api.session, methods=["GET"]),
        Route("/api/login", api.log_in, methods=["POST"]),
        Route("/api/orders", api.order, methods=["POST"]),
        Route("/api/confirmations", api.confirm, methods=["POST"]),
        Route("/api/acknowledge", api.acknowledge, methods=["POST"]),
        Route("/api/undo", api.undo, methods=["POST"]),
        Route("/api/openapi.json", api.describe, methods=["GET"]),
        Route("/metrics", api.metrics, methods=["GET"]),
        Route("/well", _well, methods=["GET"]),
        Route("/favicon.ico", _icon, methods=["GET"]),
    ]


def application(
    screen: Screen, access: Access, publish: Callable[[str, bytes], None], names: tuple[str, ...] = ()
) -> ASGIApp:
    """Return the page as an ASGI application.

    ``publish`` sends orders to the bus; ``names`` are host names besides those of the site file.
    """
    hand = Hand(screen, access, publish)
    api = Api(screen, access, hand)

    async def refuse(_request: Request, error: Exception) -> Response:
        match error:
            case RefusedError(status=status):
                return HTMLResponse(screen.page.note(str(error)), status)
            case HTTPException(status_code=status):
                key = {404: "not-found", 413: "too-large"}.get(status, "refused-kind")
                return PlainTextResponse(say(key), status, headers=error.headers)
            case _:
                return PlainTextResponse(say("failed"), 500)

    by_tls_only = Installed(screen, access).routes() if access.secure else []
    app = Starlette(
        routes=[*routes_of(hand, api), *by_tls_only],
        exception_handlers={HTTPException: refuse, RefusedError: refuse, 500: refuse},
    )
    names = (*screen.site.phone.names, *names)
    headers = headers_for(screen.page.style, screen.page.script, screen.page.kept_script)
    return Door(_compressed(app), names, headers)


def _compressed(app: ASGIApp) -> ASGIApp:
    """Return the application with its answers compressed, but for streams.

    Each of those would hold a compressor, some 150 kB, for as long as its reader looks.
    """
    compressed = GZipMiddleware(app, minimum_size=500, compresslevel=6)

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        await (app if scope.get("path") == STREAM else compressed)(scope, receive, send)

    return answer
