"""The section "as built" of the report."""

import json

from stiffen.output.proof.as_built import BEGIN, END, as_built_html, kept_proof, update_report

DOCUMENT = {
    "layout": "another",
    "as_built": {
        "head": ["where", "measured", "computed"],
        "rows": [["A, 1 kg", "0.31 mm", "0.25 mm"], ["<b>", "1", "2"]],
        "lines": ["The panel is softer than computed."],
    },
}


def test_the_section_holds_measured_beside_computed_and_escapes_texts():
    html = as_built_html(DOCUMENT)
    assert "<td>0.31 mm</td><td>0.25 mm</td>" in html
    assert "&lt;b&gt;" in html and "<b>" not in html
    assert as_built_html({}) == as_built_html({"as_built": {}}) == as_built_html(None) == ""


def test_the_section_is_put_in_once_and_replaced(tmp_path):
    report = tmp_path / "report.html"
    report.write_text(f"<body>\nbefore\n{BEGIN}\n{END}\nafter</body>", encoding="utf-8")
    assert update_report(report, DOCUMENT)
    newer = {"as_built": {**DOCUMENT["as_built"], "rows": [["A, 1 kg", "0.26 mm", "0.25 mm"]]}}
    assert update_report(report, newer)
    text = report.read_text(encoding="utf-8")
    assert text.count('id="as-built"') == 1
    assert "0.26 mm" in text and "0.31 mm" not in text
    assert text.startswith("<body>\nbefore") and text.endswith("after</body>")


def test_a_report_of_an_earlier_version_gets_it_at_its_end_and_another_file_is_left_alone(tmp_path):
    old, other = tmp_path / "report.html", tmp_path / "other.html"
    old.write_text("<body>old</body>")
    other.write_text("no page")
    assert update_report(old, DOCUMENT)
    assert old.read_text().index("old") < old.read_text().index("as-built")
    assert not update_report(other, DOCUMENT)
    assert other.read_text() == "no page"


def test_the_template_has_the_place():
    from importlib import resources

    text = resources.files("stiffen").joinpath("data/report.html").read_text(encoding="utf-8")
    assert text.index(BEGIN) < text.index(END)


def test_a_proof_of_another_layout_is_not_shown(tmp_path):
    from support.trike import LAYOUT, PANEL

    assert kept_proof(tmp_path, PANEL, LAYOUT) is None
    (tmp_path / "proof.json").write_text(json.dumps(DOCUMENT))
    assert kept_proof(tmp_path, PANEL, LAYOUT) is None
