"""Reading a page back: well formed or not, its tables, what it loads."""

from html.parser import HTMLParser

VOID = {"meta", "link", "img", "br", "hr", "input"}


class Tree(HTMLParser):
    """Checks that tags close in order; keeps tables by id, texts by id, and all attributes that load something."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tables, self.loads, self.ids, self.titles = [], {}, [], {}, []
        self.table = None
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        named = [attrs[key] for key in ("src", "href", "data", "poster", "action") if key in attrs]
        self.loads += [one for one in named if not one.startswith("#")]  # "#...": a place on the same page
        assert not any(key.startswith("on") for key in attrs)
        if "id" in attrs:
            assert attrs["id"] not in self.ids
            self.ids[attrs["id"]] = ""
        if tag == "table":
            self.table = self.tables.setdefault(attrs["id"], [])
        if tag == "tr":
            self.table.append([])
        if tag in ("td", "th"):
            self.table[-1].append("")
        if tag == "title":
            self.titles.append("")
        if tag not in VOID:
            self.open.append((tag, attrs.get("id")))

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag):
        assert self.open[-1][0] == tag, f"</{tag}> closes {self.open[-1]}"
        self.open.pop()

    def handle_data(self, data):
        if any(tag in ("td", "th") for tag, _ in self.open):
            self.table[-1][-1] += data
        if self.open and self.open[-1][0] == "title":
            self.titles[-1] += data
        for _, one in self.open:
            if one:
                self.ids[one] += data

    def rows(self, name):
        return self.tables.get(name, [[]])[1:]
