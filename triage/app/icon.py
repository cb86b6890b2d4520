"""The icon in the browser's tab, drawn here: a named icon would be fetched from another server."""

from PIL import Image, ImageDraw


def page_icon() -> Image.Image:
    """An egg in a tray."""
    picture = Image.new("RGBA", (64, 64), (0, 0, 0, 0))
    draw = ImageDraw.Draw(picture)
    draw.ellipse((17, 5, 47, 47), fill="#f2efe4", outline="#2b6350", width=4)
    draw.rounded_rectangle((4, 36, 60, 58), radius=6, fill="#2b6350")
    return picture
