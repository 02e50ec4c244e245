"""The frame of the report's page: what stands around its tables and pictures."""

PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{style}</style>
</head>
<body>
<header>
<p class="over">Refit of the priors</p>
<h1>{machine}</h1>
<p class="about">{about}</p>
</header>
<main>
{verdict}
<div class="cards">{cards}</div>
{sections}
</main>
<footer>All tables of this page stand as CSV in the folder {folder} beside it. Rates are per 1 000
jobs; intervals hold nine times in ten.</footer>
</body>
</html>
"""

STYLE = """
:root{--ink:#22303c;--quiet:#66727b;--rule:#e2e0d8;--paper:#faf9f5;--sheet:#fff;
--shipped:#b5651d;--learnt:#1f6f78;--held:#b9c2c4}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);
font:16px/1.5 system-ui,-apple-system,"Segoe UI",Roboto,"Noto Sans","DejaVu Sans",sans-serif}
header,main,footer{max-width:60rem;margin:0 auto;padding:0 1.25rem}
body{border-top:6px solid var(--learnt)}
header{padding-top:2.5rem}
.over{margin:0;color:var(--learnt);font-weight:600;letter-spacing:.02em}
h1{margin:.1rem 0 .4rem;font-size:2rem;line-height:1.15}
h2{margin:0 0 .6rem;font-size:1.3rem}
h3{margin:1.6rem 0 .3rem;font-size:1.05rem}
.about,figcaption,.more,footer{color:var(--quiet);font-size:.875rem}
.verdict{margin:1.25rem 0;padding:.9rem 1.1rem;background:var(--sheet);
border-left:6px solid var(--shipped);border-radius:4px}
.verdict.good{border-color:var(--learnt)}
.cards{display:grid;grid-template-columns:repeat(auto-fit,minmax(9.5rem,1fr));gap:.75rem;
margin:1.25rem 0 1.5rem}
.card{background:var(--sheet);border:1px solid var(--rule);border-radius:8px;padding:.9rem 1rem}
.card b{display:block;font-size:1.5rem;line-height:1.2}
.card span{color:var(--quiet);font-size:.875rem}
section{background:var(--sheet);border:1px solid var(--rule);border-radius:8px;
padding:1.25rem 1.25rem 1rem;margin:0 0 1.25rem}
section p{margin:.3rem 0 .8rem;max-width:46rem}
figure{margin:.75rem 0 1rem}
figure>div,.scroll{overflow-x:auto}
figure svg{display:block;width:100%;height:auto}
figcaption i{display:inline-block;width:.7rem;height:.7rem;border-radius:50%;margin:0 .2rem 0 .5rem}
figcaption i.shipped{border:2px solid var(--shipped);border-radius:0;transform:rotate(45deg);
width:.6rem;height:.6rem}
figcaption i.learnt{background:var(--learnt)}
figcaption i.held{background:var(--held)}
figcaption i.bar{border:0;border-radius:2px;transform:none;width:.9rem;height:.7rem}
figcaption i.bar.shipped{background:var(--shipped)}
table{border-collapse:collapse;width:100%;font-size:.875rem}
th{text-align:left;font-weight:600;border-bottom:2px solid var(--rule);padding:.35rem .6rem;
white-space:nowrap}
td{border-bottom:1px solid var(--rule);padding:.35rem .6rem;vertical-align:top;min-width:4.5rem}
tr:last-child td{border-bottom:0}
.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
footer{padding-bottom:3rem}
@media(max-width:40rem){h1{font-size:1.5rem}section{padding:1rem .8rem}header{padding-top:1.5rem}}
@media print{body{background:#fff}section,.card{break-inside:avoid;border-color:#bbb}}
"""
