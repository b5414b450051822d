"""Write what came out of the examples into README.md, from finished searches.

    stiffen search examples/dust_cover.toml --out out/dust_cover      one folder a panel, named as its file
    python examples/make_stories.py out [OPTIONS]

For each folder that is there, the block of its panel is filled in from its layout.json, and its layout.png is copied
into examples/pictures.  Blocks of panels without a folder stay as they are.  OPTIONS: those of the search, to be told.
"""

import json
import re
import shutil
import sys
from pathlib import Path

HERE = Path(__file__).parent
KINDS = {"deflection": "mm", "softness": "mm", "frequency": "Hz", "buckling": "times", "stress": "times"}


def label(demand):
    """A demand in words: its kind, its case or its push."""
    push = f"{demand['force']:g} N" if demand["force"] else demand["case"]
    return " ".join(filter(None, (demand["kind"], push)))


def plural(count, noun):
    return f"{count or 'no'} {noun}{'' if count == 1 else 's'}"


def story(result, name, options):
    """What came out, and why, in a few sentences."""
    made = f"{plural(len(result['beads']), 'bead')} and {plural(len(result['holes']), 'flared hole')}"
    met = "meets all demands" if result["status"] == "met" else "does **not** meet all demands"
    text = [f"{result['gauge_mm']:g} mm with {made} {met} at {result['mass_kg']:.3f} kg."]
    flat = result["rival"]
    if flat and flat["mass_kg"]:
        saved = 1 - result["mass_kg"] / flat["mass_kg"]
        sheet = f"the flat sheet that does, {flat['gauge_mm']:g} mm, weighs {flat['mass_kg']:.3f} kg"
        there = [name for name in ("beads", "holes") if result[name]]
        single = len(there) == 1 and len(result[there[0]]) == 1
        what = f"the {there[0][:-1]} saves" if single else f"{' and '.join(there) or 'lighter sheets'} save"
        text.append(f"{sheet[0].upper()}{sheet[1:]}, so {what} {100 * saved:.0f} %.")
    elif flat:
        text.append("No flat sheet of the rack does.")
    near = min(result["demands"], key=lambda demand: demand["margin"])
    value = f"{near['value']:.3g} {KINDS[near['kind']]}, limit {near['limit']:g}"
    text.append(f"What decides is {label(near)} ({value}), by {near['decided_by']} theory.")
    why = result.get("explanation")
    if why:
        single = [part for part in why["parts"] if len(part["beads"]) == 1]
        if single:
            most = max(single, key=lambda part: part["share"])
            worse = f"{100 * most['share']:.0f} % worse"
            text.append(
                f"Without the bead that adds most, the demand nearest to its limit would be {worse} (surrogate)."
            )
        text += [f"What would help: {one['what']}." for one in why["changes"][:1]]
        other = why["other_face"]
        if other and other["then"] and other["then"]["met"]:
            text.append(f"On the other face {other['gauge_mm']:g} mm would do.")
    command = " ".join(filter(None, ("stiffen search", f"examples/{name}.toml", options)))
    return f"![Layout](pictures/{name}.png)\n\n{' '.join(text)} (From `{command}`.)"


def main(folder, options=""):
    page = HERE / "README.md"
    text = page.read_text(encoding="utf-8")
    (HERE / "pictures").mkdir(exist_ok=True)
    for name in re.findall(r"<!-- outcome: (\w+) -->", text):
        file = Path(folder) / name / "layout.json"
        if not file.exists():
            continue
        result = json.loads(file.read_text(encoding="utf-8"))["result"]
        block = f"<!-- outcome: {name} -->\n{story(result, name, options)}\n<!-- end -->"
        text = re.sub(rf"<!-- outcome: {name} -->.*?<!-- end -->", lambda _, block=block: block, text, flags=re.DOTALL)
        shutil.copy(file.with_name("layout.png"), HERE / "pictures" / f"{name}.png")
    page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:3])
