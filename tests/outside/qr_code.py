"""Reads the codes in a picture, a PNG in base 64: each text on a line. Packages zxing-cpp 3.1.1 and pillow 13.0.0."""

import base64
import io
import sys

import zxingcpp
from PIL import Image

picture = Image.open(io.BytesIO(base64.b64decode(sys.stdin.read()))).convert("L")
for code in zxingcpp.read_barcodes(picture):
    print(code.text)
