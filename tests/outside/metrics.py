"""Reads the service's figures with the parser of another implementation of OpenMetrics, and prints every sample as JSON."""

import json
import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families

families = list(text_string_to_metric_families(sys.stdin.read()))
assert families, "no family"
for family in families:
    assert family.documentation, f"{family.name} says nothing of itself"
    assert family.type in ("counter", "gauge", "histogram"), f"{family.name} is {family.type}"
print(json.dumps([[s.name, s.labels, s.value] for family in families for s in family.samples]))
