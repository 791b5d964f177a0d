"""The style of the page: light, dark, narrow, and two sheets of A4."""

STYLE = """
:root{color-scheme:light dark;--ink:#1c2430;--soft:#4a5666;--paper:#fff;--panel:#eef4f8;--line:#ccd5dd;--mark:#00639c;
--high:#5b8fb0;--band:#dbe7ef;--call:#a83c00}
@media(prefers-color-scheme:dark){:root{--ink:#e8edf2;--soft:#b3bfcb;--paper:#14191f;--panel:#1e2731;--line:#3b4752;
--mark:#6bbcea;--high:#8fb4cb;--band:#26323d;--call:#ff9d5c}}
*{box-sizing:border-box}
body{font:1rem/1.45 system-ui,sans-serif;color:var(--ink);background:var(--paper);max-width:76rem;margin:0 auto;padding:1rem}
h1{font-size:1.5rem;line-height:1.2;margin:0 0 .4rem}
h2{font-size:1.1rem;margin:1.6rem 0 .4rem}
h3{font-size:.95rem;margin:0 0 .3rem}
header p,footer p{margin:.1rem 0;color:var(--soft)}
.first{background:var(--panel);border-left:6px solid var(--mark);padding:.8rem 1rem;margin-top:1rem}
.first h2{margin:0}
.first p{margin:.3rem 0}
.first li{margin:.5rem 0}
.lead{font-size:1.05rem}
.pictures{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(20rem,100%),1fr));gap:1.2rem 1.6rem}
figure{margin:0}
figcaption{font-size:.88rem;color:var(--soft)}
svg{display:block;width:100%;height:auto}
svg text{font:11px system-ui,sans-serif;fill:var(--soft)}
.mid{text-anchor:middle}.end{text-anchor:end}.start{text-anchor:start}
.bar{fill:var(--mark)}.off{opacity:.4}.high{fill:var(--high)}
.band{fill:var(--band)}.dot{fill:var(--mark)}
.grid,.dash,.limit,.centre,.path,.ring{fill:none}
.grid{stroke:var(--line);stroke-width:.6}
.dash{stroke:var(--ink);stroke-width:1.2;stroke-dasharray:4 3}
.limit{stroke:var(--soft);stroke-width:1}
.centre{stroke:var(--soft);stroke-width:1}
.path{stroke:var(--ink);stroke-width:1.4}
.ring{stroke:var(--call);stroke-width:2}
table{border-collapse:collapse;width:100%;font-size:.9rem;font-variant-numeric:tabular-nums}
th,td{text-align:left;vertical-align:top;padding:.22rem .7rem .22rem 0;border-bottom:1px solid var(--line);font-weight:400}
thead th{color:var(--soft);font-size:.82rem}
tbody th{width:38%}
.out{color:var(--call)}
.hidden{font-size:.85rem;color:var(--soft);margin:.3rem 0}
footer{margin-top:1.6rem;border-top:2px solid var(--line);padding-top:.5rem;font-size:.85rem}
@media(max-width:44rem){
thead{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
tbody tr{display:grid;grid-template-columns:repeat(3,1fr);border-bottom:1px solid var(--line);padding:.3rem 0}
tbody th,tbody td{border:0;padding:.05rem .5rem .05rem 0;width:auto}
tbody th{grid-column:1/-1;font-weight:600}
td.none{display:none}
td::before{content:attr(data-head);display:block;font-size:.75rem;color:var(--soft)}
}
@page{size:A4;margin:9mm 11mm}
@media print{
:root{color-scheme:light;--ink:#000;--soft:#333;--paper:#fff;--panel:#fff;--line:#bbb;--mark:#00639c;--high:#7fa9c4;--band:#e3ebf1;
--call:#a83c00}
body{font-size:7.6pt;line-height:1.25;max-width:none;padding:0}
h1{font-size:13pt;margin:0 0 1mm}
h2{font-size:9pt;margin:2.2mm 0 .8mm;break-after:avoid}
h3{font-size:7.6pt;margin:0}
.first{padding:1.5mm 3mm;margin-top:1.5mm;border:1px solid var(--line);border-left:5px solid var(--mark)}
.first li{margin:.6mm 0}
.lead{font-size:8.4pt}
.pictures{grid-template-columns:repeat(3,1fr);gap:2mm 5mm}
figure{break-inside:avoid}
figcaption{font-size:6.6pt;line-height:1.2}
table{font-size:6.9pt}
th,td{padding:.18mm 2mm .18mm 0}
thead th{font-size:6.5pt}
tr{break-inside:avoid}
.hidden{font-size:6.6pt;margin:.5mm 0}
footer{margin-top:2mm;padding-top:1mm;font-size:6.6pt}
}
"""
