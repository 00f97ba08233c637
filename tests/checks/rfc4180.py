"""Reads CSV (RFC 4180) from standard input with Python's own csv module, strictly, and prints it as JSON rows."""
import csv
import io
import json
import re
import sys

text = sys.stdin.buffer.read().decode("utf-8")
if not text.endswith("\r\n") or re.search(r"(?<!\r)\n", re.sub(r'"(?:[^"]|"")*"', "", text)):
    sys.exit("lines end with CRLF (RFC 4180, 2.1)")
rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
if len({len(row) for row in rows}) != 1:
    sys.exit("each row has as many cells (RFC 4180, 2.4)")
json.dump(rows, sys.stdout)
