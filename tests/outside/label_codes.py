"""Reads the codes of a label, a PNG in base 64, and has their element strings checked and taken apart by somebody else. Answers JSON.
Packages zxing-cpp 3.1.1, pillow 13.0.0, python-stdnum 2.2."""

import base64
import io
import json
import sys

import zxingcpp
from PIL import Image
from stdnum import gs1_128

picture = Image.open(io.BytesIO(base64.b64decode(sys.stdin.read()))).convert("L")
codes = []
for code in zxingcpp.read_barcodes(picture):
    data = code.bytes.decode("ascii")
    elements = None
    if code.content_type == zxingcpp.ContentType.GS1:
        elements = {ai: str(value) for ai, value in gs1_128.info(data, separator="\x1d").items()}
    codes.append({"symbology": code.symbology_identifier, "data": data, "elements": elements})
print(json.dumps(codes))
