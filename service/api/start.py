"""What a person sees at `/`."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

router = APIRouter()

PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Stillroom</title>
<style>body{font:17px/1.5 Georgia,serif;max-width:38em;margin:3em auto;padding:0 1em;color:#243}
code{background:#eef2ee;padding:.1em .3em}a{color:#164}</style></head><body>
<h1>Stillroom</h1>
<p>Stock in grams, formulas, production runs, and one question answered: is there enough?</p>
<ul>
<li><a href="/docs">Every request, to try out</a> (the API's page)</li>
<li><a href="/openapi.json">The same for programs</a></li>
<li><a href="/health/ready">Is it ready?</a></li>
</ul>
<p>Everything under <code>/v1</code> needs a token; the terminal showed two when the database was made.
<code>python -m service token add NAME --scope manage</code> makes another.</p>
<p>Ask from a terminal:</p>
<pre><code>curl -H "Authorization: Bearer $TOKEN" http://127.0.0.1:8000/v1/materials</code></pre>
<p><small>The books do not certify that a product is safe: follow your local rules, your suppliers' safety data
sheets, and have each product assessed by a qualified safety assessor.</small></p>
</body></html>"""


@router.get("/", include_in_schema=False)
def start() -> HTMLResponse:
    """A plain page with links."""
    return HTMLResponse(PAGE)
