"""Checks the chain of a history packet with nothing but the standard library: python3 packet.py < packet.json"""
import hashlib, json, sys

packet = json.load(sys.stdin, parse_int=str, parse_float=str)
canonical = lambda value: json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
digest = lambda text: hashlib.sha256(text.encode()).hexdigest()
entries, chain, signature = packet.pop("entries"), packet.pop("chain"), packet.pop("signature")
head = digest(canonical(packet))
assert head == chain["start"], "what stands before the entries was changed"
for number, link in enumerate(entries, 1):
    assert link["previous"] == head, f"entry {number} does not follow on the one before it"
    head = digest(head + "\n" + canonical(link["entry"]))
    assert link["hash"] == head, f"entry {number} was changed"
assert head == chain["head"], "entries at the end were left out"
print(head)
