"""Labels as a camera sees them: codes drawn and turned, written as the video of a fake camera."""

from pathlib import Path

import numpy as np
import zxingcpp
from PIL import Image, ImageFilter

WIDTH, HEIGHT = 1280, 720
FLAGS = ("--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream")


def write_label_video(
    file: Path, text: str, symbology: str, *, is_gs1: bool, turned: float = 0
) -> None:
    """Write a video that shows one code, a little blurred, on a grey table.

    Parameters
    ----------
    text : str
        Content of the code; of GS1 with its field numbers in brackets.
    symbology : str
        As the writer names it: ``DataMatrix``, ``Code128``, ``Code39``.
    turned : float
        Degrees.

    Notes
    -----
    The form is YUV4MPEG2 (y4m): each frame a plane of brightness and two of no colour.
    """
    options = {"gs1": True} if is_gs1 else {}
    code = zxingcpp.create_barcode(text, getattr(zxingcpp.BarcodeFormat, symbology), **options)
    scale = 8 if symbology == "DataMatrix" else 3
    drawn = Image.fromarray(np.array(zxingcpp.write_barcode_to_image(code, scale=scale)))
    if symbology != "DataMatrix":
        drawn = drawn.resize((drawn.width, 180), Image.Resampling.NEAREST)
    margin = 40
    label = Image.new("L", (drawn.width + 2 * margin, drawn.height + 2 * margin), 235)
    label.paste(drawn, (margin, margin))
    seen = label.rotate(turned, expand=True, fillcolor=90, resample=Image.Resampling.BICUBIC)
    table = Image.new("L", (WIDTH, HEIGHT), 90)
    table.paste(seen, ((WIDTH - seen.width) // 2, (HEIGHT - seen.height) // 2))
    brightness = np.array(table.filter(ImageFilter.GaussianBlur(1)), dtype=np.uint8)
    colour = np.full((2, HEIGHT // 2, WIDTH // 2), 128, dtype=np.uint8)
    frame = b"FRAME\n" + brightness.tobytes() + colour.tobytes()
    head = f"YUV4MPEG2 W{WIDTH} H{HEIGHT} F10:1 Ip A1:1 C420jpeg\n".encode()
    file.write_bytes(head + frame * 2)
