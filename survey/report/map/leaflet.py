"""Leaflet's own files, from its package of the Python registry, made to stand inside one page."""

import base64
import re
from functools import cache
from importlib.metadata import distribution
from importlib.util import find_spec
from pathlib import Path

PACKAGE = "js_lib_leaflet"
DISTRIBUTION = "django-js-lib-leaflet"


@cache
def leaflet_script() -> str:
    """Leaflet's program: no link to its home page (nothing leads outside), no pointer to a source map."""
    text = (_folder() / "leaflet.js").read_text(encoding="utf-8")
    text = re.sub(r"//# sourceMappingURL=\S*", "", text)
    text = re.sub(r'<a href="https?://[^"]*"[^>]*>', "<a>", text)
    return text.replace("</script", "<\\/script")


@cache
def leaflet_style() -> str:
    """Leaflet's style sheet with its pictures in line."""
    folder = _folder()

    def inlined(match: re.Match[str]) -> str:
        data = base64.b64encode((folder / match[1]).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{data})"

    text = (folder / "leaflet.css").read_text(encoding="utf-8")
    return re.sub(r"url\((images/[\w.-]+)\)", inlined, text)


@cache
def leaflet_licence() -> str:
    """The licence text that copies of Leaflet have to carry."""
    files = distribution(DISTRIBUTION).files or []
    licence = next(file for file in files if file.name.upper().startswith("LICENSE"))
    return licence.read_text().replace("*/", "* /").replace("--", "- -")


def _folder() -> Path:
    spec = find_spec(PACKAGE)
    if spec is None or spec.origin is None:  # the package is a dependency; only a broken installation gets here
        raise ModuleNotFoundError(PACKAGE)
    return Path(spec.origin).parent / "static" / PACKAGE
