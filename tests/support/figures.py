"""Words in a figure: do they overlap, are they cut off."""


def overlapping(figure):
    """Pairs of words in a figure whose boxes overlap by more than a hair, and words that reach over its edge."""
    import itertools

    import matplotlib.text
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    figure.draw_without_rendering()  # as `save_png` does: the layout settles in the second drawing
    canvas.draw()
    off_scale = {
        label
        for axis in figure.axes
        for scale in (axis.xaxis, axis.yaxis)
        for tick in scale.get_major_ticks()
        if not min(scale.get_view_interval()) <= tick.get_loc() <= max(scale.get_view_interval())
        for label in (tick.label1, tick.label2)
    }
    words = set(figure.findobj(matplotlib.text.Text)) - off_scale
    shown = [text for text in words if text.get_visible() and text.get_text().strip()]
    boxes = [(text.get_text(), text.get_window_extent(canvas.get_renderer()), text.get_rotation()) for text in shown]
    upright = [(words, box) for words, box, turn in boxes if turn in (0, 90)]
    clash = [
        (a, b)
        for (a, one), (b, other) in itertools.combinations(upright, 2)
        if min(one.x1, other.x1) - max(one.x0, other.x0) > 1 and min(one.y1, other.y1) - max(one.y0, other.y0) > 1
    ]
    wide, high = canvas.get_width_height()
    out = [words for words, box, _ in boxes if box.x0 < 0 or box.y0 < 0 or box.x1 > wide or box.y1 > high]
    return clash, out
