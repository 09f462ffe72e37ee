#!/usr/bin/env bash
# Builds the example's ledger in demo/, prints a trace and claims tables, writes the dossiers.
set -euo pipefail
cd "$(dirname "$0")/.."
ampelog=.venv/bin/ampelog
export AMPELOG_LEDGER=demo/cellar.duckdb

say() { printf '\n\033[1m%s\033[0m\n' "$*"; }

rm -rf demo && mkdir demo
say "Making the ledger, and loading three vintages"
$ampelog init --premises "Quernmoor Cellar" --timezone America/Los_Angeles
for file in example_vintage/0[1-8]*.jsonl; do
  $ampelog load "$file" | tail -n 1
done
say "March 2024: two puncheons were swapped on the cart; the corrections, written down to be looked through"
$ampelog amend --swap P-20 P-25 --since 2023-11-06 -o demo/swap.jsonl | tail -n 2
say "Somebody wrote them down by hand, and with them a bin that was weighed wrong: what they change"
$ampelog load example_vintage/09*.jsonl
for file in example_vintage/1*.jsonl; do
  $ampelog load "$file" | tail -n 1
done
say "Had two other puncheons been mixed up a month later, and were it found today: what that would change"
$ampelog amend --swap P-10 P-26 --since 2023-12-01 | sed -n '/earlier answers/,$p'
say "A week of harvest from a workbook, in a ledger of its own: two rows are typed wrong, then mended"
week="--ledger demo/week.duckdb"
$ampelog $week init --premises "Quernmoor Cellar" --timezone America/Los_Angeles
$ampelog $week load example_vintage/0*.jsonl example_vintage/10*.jsonl 2>/dev/null | tail -n 1
.venv/bin/python example_vintage/harvest_week.py demo/harvest-week.xlsx
$ampelog $week load demo/harvest-week.xlsx || true
.venv/bin/python example_vintage/harvest_week.py demo/harvest-week.xlsx --mended
$ampelog $week load demo/harvest-week.xlsx
say "The same file twice changes nothing"
$ampelog $week load demo/harvest-week.xlsx
say "What is in bottle"
$ampelog lots --bottled
say "Back from a bottle to its blocks, and through which tanks"
$ampelog trace STL24
say "A label that stands exactly on its threshold"
$ampelog claims STL24
say "A label that fails its vintage by a hair"
$ampelog claims BSY23 || true
say "A label that missing papers leave undetermined"
$ampelog claims CRS23 || true
say "The same wine for a market that asks more of a grape, and what may go to another"
$ampelog claims STL24 --label "Stateline Syrah 2024, Denmark" || true
$ampelog claims BVG24 --label "Bench Viognier 2024, Bristol"
say "How much other wine could still be added, and what a list of ingredients names"
$ampelog claimable BSY24 --label "Bench Syrah 2024"
$ampelog ingredients CFS23-DK --market eu
say "A blending trial of six lots, as it stood in August 2025, and the cheapest that keeps its label"
$ampelog trial example_vintage/stateline.toml --as-of 2025-08-05
say "The evening before a bottling week: one wine is ready, one stale, one misses a test, one is on hold"
$ampelog readiness --as-of 2025-02-17
$ampelog readiness 24-VGB --as-of 2025-02-17
for lot in 24-SC 24-RS 24-LH; do
  $ampelog readiness "$lot" --as-of 2025-02-17 | sed '/^What passes/,$d' || true
done
say "A morning in the harvest: one tank is stuck"
$ampelog numbers --fermenting --as-of 2023-10-15
$ampelog sheet morning --as-of 2023-10-15 -o demo/morning.pdf
say "What rests, what is due, what is held"
$ampelog calendar --as-of 2026-11-25 --ics demo/releases.ics -o demo/releases.pdf
say "Every bottle in one delivery of glass, and who has it"
$ampelog recall --material-lot G-2404 -o demo/recall-G-2404.pdf
say "Does everything still fit?"
$ampelog verify
say "The dossiers"
for lot in STL24 BSY23 CRS23 FRR24; do
  $ampelog dossier "$lot" -o "demo/$lot.pdf"
done
say "The year on paper"
$ampelog vintage 2024 -o demo/vintage-2024.pdf --tables demo/vintage-2024
echo
echo "Look at demo/*.pdf, and read example_vintage/README.md for the story."
