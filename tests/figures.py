"""Print the figures of a study, one a line: whether it is met, its value and what is asked of it."""
import json
import sys

for path in sys.argv[1:]:
    with open(path, encoding="utf-8") as file:
        figures = json.load(file)
    for f in figures:
        value = "none" if f["value"] is None else f"{f['value']:.4g}"
        print(f"{'met' if f['met'] else 'NOT'}  {f['name']}: {value} (asked: {f['low']:g} to {f['high']:g}, n = {f['n']}, "
              f"seed {f['seed']})")
