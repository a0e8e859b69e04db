"""The version of the code behind a stage: a digest of its module and all it imports from here."""

import ast
import hashlib
import importlib.util
from functools import cache
from pathlib import Path

__all__ = ["code_digest"]

ROOT = "paddlebrief"


@cache
def code_digest(module: str) -> str:
    """SHA-256 (16 hex digits) over the sources that a module of this package depends on.

    Imports are followed inside the package only, also those inside functions, so that a change
    in an unrelated stage leaves the digest as it is.

    Raises
    ------
    ModuleNotFoundError
        When there is no such module.
    """
    sources: dict[str, bytes] = {}
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name in sources:
            continue
        path = _source(name)
        if path is None:
            raise ModuleNotFoundError(name)
        sources[name] = path.read_bytes()
        waiting += [n for n in _imports(sources[name], name) if n not in sources]
    digest = hashlib.sha256()
    for name in sorted(sources):
        digest.update(name.encode() + b"\0" + sources[name] + b"\0")
    return digest.hexdigest()[:16]


def _source(name: str) -> Path | None:
    try:
        spec = importlib.util.find_spec(name)
    except ModuleNotFoundError:
        return None
    return Path(spec.origin) if spec and spec.origin and spec.origin.endswith(".py") else None


def _imports(source: bytes, importer: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(source, filename=importer)):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names if _ours(a.name)}
        elif isinstance(node, ast.ImportFrom) and node.module and _ours(node.module):
            found.add(node.module)
            inner = {f"{node.module}.{a.name}" for a in node.names}
            found |= {n for n in inner if _source(n) is not None}
    return found - {ROOT}


def _ours(name: str) -> bool:
    return name == ROOT or name.startswith(ROOT + ".")
