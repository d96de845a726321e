"""The look of the HTML edition: the sheets of the PDF on any width, black on white, big targets."""

STYLE = """
*{box-sizing:border-box}
html{font-size:calc(100% * var(--size))}
body{margin:0;font-family:"Legible",sans-serif;line-height:1.4;color:#000;background:#fff}
header,nav,main{max-width:76rem;margin:0 auto;padding:0 1rem}
h1{font-size:2rem;margin:1rem 0 0;overflow-wrap:anywhere}
h2{font-size:1.5rem;margin:.8rem 0 .4rem;overflow-wrap:anywhere}
h3{font-size:1.15rem;margin:1rem 0 .4rem}
p{margin:.4rem 0}
a{color:#00397a;padding:.3rem 0;display:inline-block}
a:focus-visible,summary:focus-visible,input:focus-visible,h2:focus-visible
{outline:3px solid #00397a;outline-offset:2px}
.skip{position:absolute;left:-99rem}
.skip:focus{left:1rem;top:1rem;background:#fff;padding:.6rem;z-index:2}
.symbols{position:absolute}
summary{padding:.6rem 0;font-weight:bold;cursor:pointer}
nav ol{columns:16rem;padding-left:1.4rem}
.level1{margin-left:1rem}
section{border:2px solid #000;margin:1rem 0;padding:0 1rem .4rem;scroll-margin-top:.5rem}
.sheet{display:grid;grid-template-columns:minmax(0,2.4fr) minmax(15rem,1fr);gap:1rem}
.flow{grid-column:1/-1;columns:24rem;column-gap:2rem}
.flow>*,li{break-inside:avoid}
.flow>.rows{break-inside:auto}
h3{break-after:avoid}
figure{margin:0}
figcaption{font-weight:bold;margin:.6rem 0 .2rem}
svg{width:100%;height:auto;display:block;max-height:90vh}
.mark{width:1.7em;height:1.7em;flex:none;display:inline-block;vertical-align:middle}
.signs .mark,.sign .mark{width:3rem;height:3rem;margin-right:.4rem}
.rows{list-style:none;margin:0;padding:0}
.row,.take{display:flex;gap:.6rem;align-items:center;padding:.25rem 0}
label{cursor:pointer}
input{width:1.5rem;height:1.5rem;flex:none;margin:.2rem}
.count{min-width:2.6em;text-align:right;flex:none}
.letter{flex:none;width:2em;height:2em;border:2px solid #000;border-radius:50%;
display:grid;place-items:center;font-weight:bold}
.thumb{flex:none;max-width:10rem}
.name{overflow-wrap:anywhere;min-width:0}
.line,.detail{display:block}
.detail,.quiet{color:#595959}
.strong{font-weight:bold}
hr{border:0;border-top:1px solid #000;margin:.7rem 0}
dl{margin:.3rem 0}
.facts{display:grid;grid-template-columns:minmax(6rem,2fr) 3fr;gap:.3rem .6rem}
.block{display:grid;grid-template-rows:auto auto;grid-auto-flow:column;grid-auto-columns:auto;
justify-content:start;gap:0 2rem;border-bottom:1px solid #000;padding-bottom:.5rem;margin-bottom:.6rem}
.block dt{color:#595959}
dd{margin:0;font-weight:bold;overflow-wrap:anywhere}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.3rem .5rem .3rem 0;border-bottom:1px solid #767676}
.notice{border:2px solid #000;margin:.6rem 0;padding:0 .8rem .3rem}
.signal{margin:0 -.8rem .4rem;padding:.4rem .8rem;font-weight:bold;font-size:1.2rem}
.notice ul{margin:.2rem 0;padding-left:1.2rem}
.timeline{display:grid;grid-template-columns:auto 1fr;gap:.2rem .6rem;align-items:center;margin:.5rem 0}
.timeline b{font-weight:normal}
.lane,.ticks{position:relative;height:1.3rem}
.lane{border-bottom:1px solid #767676}
.bar{position:absolute;top:.2rem;height:.9rem;min-width:2px;background:#000;border:1px solid #000}
.bar.wait{background:#fff}
.ticks{font-size:.85rem}
.ticks span{position:absolute;white-space:nowrap}
.way{display:flex;justify-content:space-between;align-items:center}
@media (max-width:46rem){.sheet{grid-template-columns:minmax(0,1fr)}section{padding:0 .6rem .3rem}}
@media print{nav,.skip,.way{display:none}section{break-inside:avoid}}
"""
