"""What every HTML page of ours tells the browser: fetch nothing, run nothing of others."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from hashlib import sha256

__all__ = ["content_policy"]


def content_policy(scripts: Iterable[str] = ()) -> str:
    """The Content-Security-Policy (W3C, level 3) of a page that stands alone.

    Should text of a user ever get past escaping, it can still neither run nor call out.

    Parameters
    ----------
    scripts : iterable of str
        The scripts the page is to run, each exactly as it stands between its tags; by their
        digests the browser knows them from all others.
    """
    known = " ".join(f"'sha256-{b64encode(sha256(s.encode()).digest()).decode()}'" for s in scripts)
    pictures = "data: blob:" if known else "data:"  # charts make blobs when saved as pictures
    return (f"default-src 'none'; script-src {known or chr(39) + 'none' + chr(39)}; "
            f"style-src 'unsafe-inline'; img-src {pictures}; base-uri 'none'; form-action 'none'")
