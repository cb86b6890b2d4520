"""The one page that is shown without the passphrase: it asks for it, and takes a scanned code out of the address."""

from __future__ import annotations

import base64
import hashlib
import html

#: Where the form is sent.
PATH = "/enter"
_STYLE = """
:root { color-scheme: light dark; --ground: light-dark(#f6f7f4, #151a18); --text: light-dark(#1c2421, #e6eae5);
  --line: light-dark(#69736c, #8b968f); --main: light-dark(#2b6350, #6fbf9f); }
body { background: var(--ground); color: var(--text); font: 1.1rem/1.5 system-ui, sans-serif; margin: 0; padding: 2rem 1.2rem; }
form { max-width: 24rem; margin: 0 auto; display: grid; gap: .8rem; }
h1 { font-size: 1.5rem; margin: 0; }
p { margin: 0; }
input, button { font: inherit; padding: .7rem .8rem; border-radius: .35rem; border: 1px solid var(--line); }
input { background: var(--ground); color: var(--text); }
button { background: var(--main); border-color: var(--main); color: var(--ground); font-weight: 650; }
"""
# The code stands behind a '#', which no browser sends: it leaves the address before it is sent as the form.
_SCRIPT = """
const code = location.hash.slice(1), form = document.forms[0];
if (code) { history.replaceState(null, "", "/"); form.elements.code.value = code; form.submit(); }
"""
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>Triage</title>
<style>{style}</style></head><body>
<form method="post" action="{path}">
<h1>Triage</h1>
<p role="status">{remark}</p>
<label for="passphrase">Passphrase</label>
<input id="passphrase" name="passphrase" autocomplete="off" autocapitalize="none" autocorrect="off" spellcheck="false" autofocus>
<input name="code" type="hidden">
<button>Enter</button>
</form><script>{script}</script></body></html>
"""


def entry_page(remark: str = "The four words stand in the window where the app was started.") -> bytes:
    """The page, the same for every address, with one sentence on it."""
    return _PAGE.format(style=_STYLE, script=_SCRIPT, path=PATH, remark=html.escape(remark)).encode()


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


#: Content security policy of the page: its own style, its own script, its own form, nothing else.
POLICY = (
    f"default-src 'none'; style-src {_hash(_STYLE)}; script-src {_hash(_SCRIPT)}; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
