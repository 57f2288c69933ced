"""Reads an e-mail with Python's own parser: its headers, and each part with its type, name and content."""
import base64
import email
import json
import sys
from email import policy

message = email.message_from_string(sys.stdin.read(), policy=policy.default)
headers = {name: str(message[name]) for name in ("From", "To", "Reply-To", "Subject", "MIME-Version") if message[name]}
parts = [
    {
        "type": part.get_content_type(),
        "name": part.get_filename(),
        "defects": [str(defect) for defect in part.defects],
        "content": base64.b64encode(part.get_payload(decode=True)).decode(),
    }
    for part in message.walk()
    if not part.is_multipart()
]
json.dump({"headers": headers, "defects": [str(d) for d in message.defects], "parts": parts}, sys.stdout)
