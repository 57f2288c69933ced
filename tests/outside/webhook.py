"""Verifies a webhook with the reference library of the Standard Webhooks specification.

Input: {"secret", "headers": {name: value}, "body"}
"""

import json
import sys

from standardwebhooks.webhooks import Webhook

told = json.load(sys.stdin)
payload = Webhook(told["secret"]).verify(told["body"], told["headers"])
assert payload["type"].startswith("excursion."), payload
try:
    Webhook(told["secret"]).verify(told["body"] + " ", told["headers"])
except Exception:
    print(1)
else:
    raise SystemExit("a changed body was verified")
