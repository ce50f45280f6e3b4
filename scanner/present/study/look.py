"""The look of a report: on a phone, on a wide screen, in the dark and on paper."""

STYLE = """
header, section, nav, footer { max-width: 1040px; margin: 0 auto 14px; }
header, footer { padding: 0 10px; }
header .verdict { margin: 10px 0 4px; font-size: 21px; line-height: 1.35; font-weight: 600; }
h2 { margin-bottom: 6px; }
a { color: var(--accent); }
nav ul { display: flex; flex-wrap: wrap; gap: 4px 18px; margin: 0; padding: 0 10px; list-style: none; }
nav a { display: inline-block; padding: 6px 0; }
section p, section li { max-width: 72ch; }
.beside { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 400px), 1fr)); gap: 0 24px; }
.beside > * { min-width: 0; }
figure { margin: 12px 0; max-width: 520px; }
figcaption { margin-top: 6px; color: var(--pale); font-size: 14px; line-height: 1.4; }
.scroll { margin: 14px 0; overflow-x: auto; background:
  linear-gradient(to left, var(--card) 40%, transparent) right / 32px 100% no-repeat local,
  linear-gradient(to left, var(--line), transparent) right / 14px 100% no-repeat scroll; }
.scroll:focus-visible { outline: 2px solid var(--accent); }
table { border-collapse: separate; border-spacing: 0; font-size: 14px; font-variant-numeric: tabular-nums;
  overflow-wrap: normal; }
caption { padding-bottom: 4px; text-align: left; font-weight: 700; }
caption span, th[scope=rowgroup] span { display: inline-block; position: sticky; left: 0;
  max-width: calc(100vw - 64px); }
th, td { padding: 5px 14px 5px 0; border-top: 1px solid var(--line); text-align: right; vertical-align: top; }
td { white-space: nowrap; }
thead th { vertical-align: bottom; font-size: 13px; font-weight: 400; color: var(--pale); }
th:first-child { position: sticky; left: 0; min-width: 104px; max-width: 230px; text-align: left; font-weight: 400;
  background: var(--card); overflow-wrap: anywhere; }
th[scope=rowgroup] { max-width: none; padding-top: 12px; font-weight: 700; }
.few th, .few td { color: var(--pale); font-style: italic; }
td.words { min-width: 220px; text-align: left; white-space: normal; }
#rules th:first-child { max-width: 310px; }
#groups table { width: 100%; min-width: 1000px; table-layout: fixed; }
#groups th:first-child { width: 15%; }
#groups :is(th, td):nth-child(2), #groups :is(th, td):nth-child(4) { width: 17%; }
#groups :is(th, td):nth-child(3) { width: 14%; }
@media screen and (max-width: 480px) {
  .card { padding: 14px 12px; }
  th:first-child, #rules th:first-child { min-width: 124px; max-width: 148px; }
}
@media print {
  @page { margin: 14mm; }
  :root { --paper: #ffffff; --own: #ffffff; }
  body { padding: 0; font-size: 10pt; }
  header, section, footer { max-width: none; }
  nav { display: none; }
  .card { padding: 8px 0; border-radius: 0; border-top-width: 2px; }
  .scroll { overflow: visible; background: none; }
  table, #groups table { min-width: 0; font-size: 7.5pt; }
  thead th { font-size: inherit; }
  figcaption { font-size: 8pt; }
  th, td { padding: 3px 8px 3px 0; }
  th:first-child, caption span { position: static; }
  h2, h3, caption, thead { break-after: avoid; }
  tr, .beside > :not(.scroll) { break-inside: avoid; }
  .beside { display: block; columns: 2; }
  .beside figure { margin: 0 0 12px; }
  .beside .scroll { column-span: all; }
  a { color: inherit; text-decoration: none; }
}
"""
