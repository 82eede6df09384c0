// One style sheet for screen and paper: dark ink on white, one accent per verdict, and shapes beside the colours.
#include "harness/report/html.h"

namespace dawnrig::report {

namespace {

constexpr std::string_view kStyleSheet = R"css(
:root {
  --ink: #1b2631; --soft: #566573; --line: #d5dbe1; --faint: #f3f5f7; --paper: #ffffff;
  --pass: #1d6b52; --fail: #b0281a; --invalid: #8a5500; --vacuous: #4b5390;
}
* { box-sizing: border-box; }
html { background: var(--faint); }
body { margin: 0 auto; max-width: 1180px; padding: 36px 44px 60px; background: var(--paper); color: var(--ink);
  font: 15px/1.5 "Helvetica Neue", Helvetica, "Liberation Sans", Arial, sans-serif; font-variant-numeric: tabular-nums; }
h1 { font-size: 28px; line-height: 1.2; margin: 0 0 2px; letter-spacing: -0.01em; }
h2 { font-size: 19px; margin: 44px 0 12px; }
h3 { font-size: 17px; line-height: 1.35; margin: 0 0 4px; }
p { margin: 0 0 8px; }
a { color: inherit; text-decoration-color: #9aa6b2; text-underline-offset: 2px; }
.lead { color: var(--soft); margin-bottom: 22px; }
.soft { color: var(--soft); }
.small { font-size: 13px; }
code { font: 12.5px/1.4 "DejaVu Sans Mono", "Liberation Mono", Consolas, monospace; overflow-wrap: anywhere; }

.badge { display: inline-block; min-width: 76px; padding: 1px 8px; border: 1.5px solid; border-radius: 3px;
  font-size: 12.5px; font-weight: 700; letter-spacing: .04em; text-align: center; white-space: nowrap; }
.badge.pass { color: var(--pass); }
.badge.fail { color: #fff; background: var(--fail); border-color: var(--fail); }
.badge.invalid { color: var(--invalid); border-style: dashed; }
.badge.vacuous { color: var(--vacuous); border-style: dotted; border-width: 2px; }

.devices { display: grid; grid-template-columns: repeat(auto-fit, minmax(330px, 1fr)); gap: 16px; margin: 0 0 22px; }
.device { border: 1px solid var(--line); border-left: 7px solid var(--soft); border-radius: 3px; padding: 14px 18px; }
.device.pass { border-left-color: var(--pass); } .device.fail { border-left-color: var(--fail); }
.device.invalid { border-left-color: var(--invalid); } .device.vacuous { border-left-color: var(--vacuous); }
.device .word { font-size: 34px; line-height: 1.1; font-weight: 700; letter-spacing: .01em; }
.device.pass .word { color: var(--pass); } .device.fail .word { color: var(--fail); }
.device.invalid .word { color: var(--invalid); } .device.vacuous .word { color: var(--vacuous); }
.device .name { font-weight: 700; }

.wrong { border-top: 2px solid var(--fail); border-bottom: 1px solid var(--line); padding: 14px 0 6px; margin: 0 0 22px; }
.wrong.quiet { border-top-color: var(--line); }
.wrong h2 { margin: 0 0 8px; }
.wrong ul { list-style: none; margin: 0; padding: 0; }
.wrong li { display: grid; grid-template-columns: 96px 1fr; gap: 0 12px; padding: 5px 0 8px; align-items: start; }
.wrong .badge { margin-top: 2px; }
.wrong li + li { border-top: 1px solid var(--line); padding-top: 9px; }

table { border-collapse: collapse; width: 100%; }
th { text-align: left; font-size: 12.5px; font-weight: 600; color: var(--soft); vertical-align: bottom; }
th, td { padding: 6px 10px 6px 0; border-bottom: 1px solid var(--line); vertical-align: top; }
td.number, th.number { text-align: right; white-space: nowrap; }
.identity tbody th { width: 150px; vertical-align: top; padding-top: 8px; }
.identity td { overflow-wrap: anywhere; }
.verdicts td { padding-top: 9px; padding-bottom: 9px; }
.verdicts .what { min-width: 240px; }
.verdicts .limit { white-space: nowrap; padding-right: 16px; }
table + p { margin-top: 8px; }
.verdicts .id { font-size: 12.5px; color: var(--soft); white-space: nowrap; }
.verdicts th.group { color: var(--ink); font-size: 14px; border-left: 1px solid var(--line); padding-left: 12px; }
.verdicts td.first, .verdicts th.first { border-left: 1px solid var(--line); padding-left: 12px; }
.cautions { columns: 2; column-gap: 36px; margin: 0; padding-left: 18px; font-size: 13.5px; line-height: 1.45; }
.cautions li { break-inside: avoid; margin-bottom: 6px; }

.card { border: 1px solid var(--line); border-top: 4px solid var(--soft); border-radius: 3px; padding: 16px 20px 18px; margin: 0 0 22px; }
.card.pass { border-top-color: var(--pass); } .card.fail { border-top-color: var(--fail); }
.card.invalid { border-top-color: var(--invalid); } .card.vacuous { border-top-color: var(--vacuous); }
.card .source { color: var(--soft); font-size: 13px; margin-bottom: 14px; }
.sides { display: grid; grid-template-columns: repeat(auto-fit, minmax(480px, 1fr)); gap: 22px 30px; }
.side { min-width: 0; }
@supports (grid-template-rows: subgrid) {
  .side { display: grid; grid-template-rows: subgrid; grid-row: span 4; gap: 0; }
}
.side .head { display: flex; align-items: baseline; gap: 12px; margin-bottom: 5px; }
.side .head b { font-size: 15px; }
.facts { display: flex; flex-wrap: wrap; gap: 4px 26px; margin: 4px 0 12px; font-size: 13.5px; }
.facts dt { color: var(--soft); font-size: 12px; } .facts dd { margin: 0; font-weight: 600; }
.facts div { display: flex; flex-direction: column; }
.reason { font-size: 15px; }
.side.fail .reason { font-weight: 600; }
details { margin-top: 8px; font-size: 13px; } summary { cursor: pointer; color: var(--soft); }
svg { display: block; width: 100%; max-width: 760px; height: auto; }
svg text { font: 11.5px "Helvetica Neue", Helvetica, "Liberation Sans", Arial, sans-serif; fill: var(--ink); font-variant-numeric: tabular-nums; }
svg text.soft { fill: var(--soft); }
svg text.limit, svg text.offence { fill: var(--fail); font-weight: 600; }
svg text.halo { paint-order: stroke; stroke: #fff; stroke-width: 3.5px; stroke-linejoin: round; }
svg.bar { width: 120px; height: 16px; margin-top: 3px; }

@page { size: A4; margin: 14mm 14mm 16mm; }
@media print {
  html { background: none; }
  body { max-width: none; padding: 0; font-size: 8.8pt; line-height: 1.36; }
  h1 { font-size: 18pt; } h2 { font-size: 12.5pt; margin: 14pt 0 6pt; page-break-after: avoid; break-after: avoid; } h3 { font-size: 11pt; }
  th, td { padding-top: 3pt; padding-bottom: 3pt; } .wrong li { padding: 2pt 0 4pt; } .wrong li + li { padding-top: 4pt; } .wrong { padding-top: 8pt; margin-bottom: 8pt; }
  .lead { margin-bottom: 12pt; }
  .device .word { font-size: 21pt; } .device { padding: 8pt 11pt; }
  .devices { grid-template-columns: repeat(2, 1fr); gap: 10pt; margin-bottom: 12pt; }
  .badge, .device, .card { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
  .card, .device, .wrong li, .side, tr { page-break-inside: avoid; break-inside: avoid; }
  thead { display: table-header-group; }
  .certificate { page-break-after: always; break-after: page; }
  .sides { grid-template-columns: 1fr; gap: 12pt; }
  .side { display: block; }
  .side svg.plot { width: 54%; }
  .small { font-size: 8pt; }
  .verdicts { font-size: 8.4pt; } .verdicts .what { min-width: 0; } .verdicts .limit { white-space: normal; } table + p { margin-top: 8px; }
.verdicts .id { white-space: normal; font-size: 7.6pt; }
  .verdicts .badge { min-width: 0; font-size: 7.6pt; padding: 0 4px; } th { font-size: 8pt; }
  .verdicts td, .verdicts th { padding-right: 6px; } .verdicts td.first, .verdicts th.first, .verdicts th.group { padding-left: 6px; }
  svg.bar { width: 74px; height: 11px; }
  .cautions { font-size: 7.8pt; line-height: 1.35; } .cautions li { margin-bottom: 3pt; } .identity { font-size: 8.2pt; } code { font-size: 7.6pt; }
  .reason { font-size: 9.2pt; } .facts { font-size: 8.4pt; margin-bottom: 5pt; } .facts dt { font-size: 7.8pt; } .card { padding: 9pt 12pt; }
  details:not([open]) { display: none; }
  a { text-decoration: none; }
}
)css";

}  // namespace

std::string_view style_sheet() {
  return kStyleSheet;
}

}  // namespace dawnrig::report
