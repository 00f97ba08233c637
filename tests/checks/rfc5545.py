"""Reads a calendar from standard input by the rules of RFC 5545, with nothing but the standard library, and prints its entries as JSON.

Each rule is named where it is checked; a calendar that breaks one ends the program with the rule's number."""
import datetime
import json
import re
import sys

data = sys.stdin.buffer.read()


def must(holds, rule, what):
    if not holds:
        sys.exit(f"RFC 5545, {rule}: {what}")


text = data.decode("utf-8")  # 3.1.4: UTF-8
must(text.endswith("\r\n"), "3.1", "the last line ends with CRLF")
must(text.count("\n") == text.count("\r\n") == text.count("\r"), "3.1", "lines end with CRLF alone")
for line in data.split(b"\r\n"):
    must(len(line) <= 75, "3.1", f"a line of {len(line)} octets: {line!r}")
    line.decode("utf-8")  # a fold between the octets of a letter would fail here
lines = text.replace("\r\n ", "").replace("\r\n\t", "").split("\r\n")[:-1]
must(not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", "".join(lines)), "3.1 (CONTROL)", "no control characters")


def value_of(escaped):
    must(re.fullmatch(r"(?:[^\\;,]|\\[\\;,nN])*", escaped), "3.3.11", f"escaped text: {escaped!r}")
    return re.sub(r"\\(.)", lambda found: "\n" if found.group(1) in "nN" else found.group(1), escaped)


must(lines[0] == "BEGIN:VCALENDAR" and lines[-1] == "END:VCALENDAR", "3.4", "one VCALENDAR around all")
calendar, events, current = {}, [], None
for line in lines[1:-1]:
    found = re.fullmatch(r"([A-Za-z0-9-]+)((?:;[A-Za-z0-9-]+=[^:;,]*)*):(.*)", line)
    must(found, "3.1", f"a content line: {line!r}")
    name, parameters, value = found.groups()
    if (name, value) == ("BEGIN", "VEVENT"):
        must(current is None, "3.6", "no component in another")
        current = {}
    elif (name, value) == ("END", "VEVENT"):
        events.append(current)
        current = None
    else:
        target = calendar if current is None else current
        must(name not in target, "3.6.1", f"{name} stands once")
        target[name] = (parameters, value)

must(calendar.get("VERSION") == ("", "2.0"), "3.7.4", "VERSION:2.0")
must("PRODID" in calendar, "3.7.3", "PRODID is there")
must("METHOD" not in calendar, "3.8.7.2", "without METHOD the stamp is that of the last change")
day = r"\d{8}"
out = []
for event in events:
    for name in ("UID", "DTSTAMP", "DTSTART"):
        must(name in event, "3.6.1", f"{name} is there")
    must(event["DTSTART"][0] == ";VALUE=DATE" and re.fullmatch(day, event["DTSTART"][1]), "3.3.4", "an all-day start")
    start = datetime.datetime.strptime(event["DTSTART"][1], "%Y%m%d").date()
    end = datetime.datetime.strptime(event["DTEND"][1], "%Y%m%d").date()
    must(event["DTEND"][0] == ";VALUE=DATE" and end > start, "3.8.2.2", "the end lies behind the start, in the same type")
    for name in ("DTSTAMP", "LAST-MODIFIED"):
        must(re.fullmatch(day + r"T\d{6}Z", event[name][1]), "3.3.5 (form 2)", f"{name} in UTC")
    must(re.fullmatch(r"\d+", event["SEQUENCE"][1]), "3.8.7.4", "a whole number from 0 on")
    must(event["TRANSP"][1] in ("OPAQUE", "TRANSPARENT"), "3.8.2.7", "TRANSP")
    out.append({
        "uid": event["UID"][1], "on": start.isoformat(), "sequence": int(event["SEQUENCE"][1]), "changed": event["LAST-MODIFIED"][1],
        "summary": value_of(event["SUMMARY"][1]), "description": value_of(event["DESCRIPTION"][1]),
    })
must(len({event["uid"] for event in out}) == len(out), "3.8.4.7", "each UID once")
json.dump({"name": value_of(calendar["X-WR-CALNAME"][1]), "events": out}, sys.stdout)
