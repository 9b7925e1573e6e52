"""A drill to take home: one HTML file, opened from disk, nothing loaded from outside, results for oneself."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence

from truelobe.practice.pictures import Picture, overlay, photo

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width,initial-scale=1">
<title>Train the eye at home</title><style>
body{font:18px/1.5 system-ui,sans-serif;margin:0 auto;padding:12px;max-width:30rem;
background:#FBFAF6;color:#1F2933}
img{width:100%;border-radius:8px;display:block}button,input{font:inherit;min-height:48px;border-radius:8px;
border:1px solid #8A8D88;padding:0 16px;box-sizing:border-box}input{width:6rem;background:#fff;color:#1F2933}
button{background:#1B4F72;color:#fff;border-color:#1B4F72}p{margin:.6rem 0}.quiet{color:#5B6770;font-size:15px}
form{display:flex;gap:8px;align-items:center;margin-top:10px}</style></head><body>
<h1 style="font-size:1.4rem">How much is not fully colored?</h1>
<p id="where" class="quiet"></p><img id="picture" alt="One pepper"><form id="form">
<label>Percent <input id="answer" type="number" min="0" max="100" step="1" inputmode="numeric" required></label>
<button>Answer</button></form><p id="said" role="status"></p><button id="next" hidden>Next</button>
<p class="quiet">Stem, calyx and highlights don't count. The file carries its answers; results are for yourself
and stay on this device. A practice aid, not an inspection.</p>
<script>
const D=JSON.parse(atob("%DATA%"));let k=0,off=[];const $=i=>document.getElementById(i);
function show(){$("where").textContent="Picture "+(k+1)+" of "+D.length;$("picture").src=D[k].p;
$("said").textContent="";$("next").hidden=true;$("form").hidden=false;$("form").style.display="flex";$("answer").value="";}
$("form").onsubmit=e=>{e.preventDefault();const a=Math.round(+$("answer").value),t=D[k].t,o=a-t;
off.push(Math.abs(o));
$("picture").src=D[k].o;$("form").style.display="none";$("next").hidden=false;
$("said").textContent="It is "+(t<3?t.toFixed(1):Math.round(t))+" percent. You said "+a+": "+
(Math.abs(o)<1?"spot on.":Math.round(Math.abs(o))+" points too "+(o>0?"much.":"little."));};
$("next").onclick=()=>{k++;if(k<D.length)show();else{$("next").hidden=true;$("picture").hidden=true;
$("where").textContent="";$("said").textContent="Done. You were off by "+
(off.reduce((a,b)=>a+b)/off.length).toFixed(1)+" points on average over "+off.length+" pictures.";}};show();
</script></body></html>
"""


def take_home(pictures: Sequence[Picture]) -> bytes:
    """Return the file, UTF-8."""
    items = [{"p": _inline(photo(p)), "o": _inline(overlay(p)), "t": round(p.percent(), 1)} for p in pictures]
    data = base64.b64encode(json.dumps(items).encode()).decode()
    return _PAGE.replace("%DATA%", data).encode()


def _inline(webp: bytes) -> str:
    return f"data:image/webp;base64,{base64.b64encode(webp).decode()}"
