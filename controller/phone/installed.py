"""The page kept on a phone as an app, where it is served by TLS: manifest, icon, worker and kept page.

Nothing depends on it. The worker keeps what was last shown, without a form in it, and shows it with its age
when the network is gone; it keeps no answer to a change, and sends or repeats no order.
"""

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from controller.phone.access import Access, RefusedError
from controller.phone.screen import Screen
from controller.phone.words import say

ICON = "/icon.svg"
# The ground of the dark scheme, as in the style sheet.
GROUND = "#101418"


class Installed:
    """What a phone loads besides the page.

    Parameters
    ----------
    screen
        What is shown.
    access
        Who may look.
    """

    def __init__(self, screen: Screen, access: Access) -> None:
        self._screen, self._access = screen, access

    def routes(self) -> list[Route]:
        """Return the routes there are by TLS only; none of them changes anything."""
        return [
            Route("/manifest.json", self.manifest, methods=["GET"]),
            Route(ICON, self.icon, methods=["GET"]),
            Route("/worker.js", self.worker, methods=["GET"]),
            Route("/kept", self.kept, methods=["GET"]),
        ]

    async def manifest(self, _request: Request) -> Response:
        """Answer with the app's name and icon (W3C Web Application Manifest)."""
        site = self._screen.site
        described = {
            "id": "/",
            "name": site.title,
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": GROUND,
            "theme_color": GROUND,
            "icons": [{"src": ICON, "sizes": "any", "type": "image/svg+xml"}],
        }
        return JSONResponse(described, media_type="application/manifest+json")

    async def icon(self, _request: Request) -> Response:
        """Answer with the icon."""
        return Response(self._screen.page.icon, media_type="image/svg+xml")

    async def worker(self, _request: Request) -> Response:
        """Answer with the script that keeps the last page (W3C Service Workers)."""
        return Response(self._screen.page.worker, media_type="text/javascript")

    async def kept(self, request: Request) -> Response:
        """Answer with what is shown now, in the form in which it may be kept."""
        if self._access.session(request) is None:
            raise RefusedError(401, say("refused-session"))
        await self._screen.renew()
        return HTMLResponse(self._screen.kept())
