"""Receives notices of issued bills and checks them with a library that is not ours: `standardwebhooks` of PyPI, the one that
the authors of the open scheme publish.

A server and a device, the built programs, issue an invoice; the first call is refused, so that it comes a second time. Each
notice must verify; with a byte of the body, the id or the secret changed, or an hour later, it must not.
"""

import base64
import http.server
import json
import pathlib
import queue
import re
import tempfile
import threading

import standardwebhooks

from programs import WAIT_S, Server, device, expect

BOOK = """
[seller]
name = "Valley crews"
vat_id = "DE000000000"
country = "DE"
number_prefix = "2026-"
[[rates]]
name = "standard"
from = 2026-01-01
currency = "EUR"
labour = [{ name = "mechanic", per_hour = 85.00 }]
tax = { category = "S", percent = 19 }
[[customers]]
name = "North quarry"
country = "DE"
rates = "standard"
[[jobs]]
name = "dig"
customer = "North quarry"
machines = ["EX3"]
from = 2026-01-01
"""

calls = queue.Queue()
answers = queue.Queue()
for answer in (503, 200):
    answers.put(answer)


class Receiver(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        self.send_response(answers.get_nowait())
        self.end_headers()
        calls.put(({name.lower(): value for name, value in self.headers.items()}, body))

    def log_message(self, *_):
        pass


def refused(secret, body, headers):
    try:
        standardwebhooks.Webhook(secret).verify(body, headers)
    except standardwebhooks.WebhookVerificationError:
        return True
    return False


def main(folder):
    receiver = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
    threading.Thread(target=receiver.serve_forever, daemon=True).start()
    pintle = device(f"{folder}/device")
    with Server(folder, "--url", "http://127.0.0.1:0") as server:
        url = f"http://127.0.0.1:{receiver.server_port}/books"
        secret = re.search(r"whsec_\S+", server.operator("hook", "--to", url, "--inside").stdout)[0]
        pintle("setup", "--name", "Ines", "--mark", "K7")
        pintle("enrol", server.address, server.code)
        pintle("machine", "add", "EX3")
        pintle("repair", "EX3", "new fitting", "--minutes", "80")
        pintle("sync")
        book = pathlib.Path(folder, "book.toml")
        book.write_text(BOOK)
        pintle("bill", "book", str(book))
        drafts = json.loads(pintle("bill", "draft", "2026-01-01..2100-12-31", "--json"))["bills"]
        issued = json.loads(pintle("bill", "issue", drafts[0]["document"]["id"], "--json"))["bills"][0]
        received = [calls.get(timeout=WAIT_S) for _ in range(2)]

    for time, (headers, body) in zip(("first", "second"), received):
        notice = standardwebhooks.Webhook(secret).verify(body, headers)
        expect(f"the {time} notice verifies", notice == json.loads(body))
    (first, body), (second, again) = received
    expect("both have one id and the same bytes", first["webhook-id"] == second["webhook-id"] and body == again)
    totals = issued["document"]["totals"]
    expect("it tells the bill that was issued", notice["data"]["number"] == issued["document"]["number"])
    expect("and what is to be paid", notice["data"]["payable"] == totals["payable"])
    expect("and names nobody", not any(name in body for name in (b"North quarry", b"Valley crews", b"Ines")))
    expect("a changed byte is refused", refused(secret, body.replace(b"issued", b"Issued", 1), first))
    expect("another id is refused", refused(secret, body, first | {"webhook-id": "issued_other"}))
    expect("an old one is refused", refused(secret, body, first | {"webhook-timestamp": "1600000000"}))
    other = "whsec_" + base64.b64encode(bytes(32)).decode()
    expect("another secret is refused", refused(other, body, first))


with tempfile.TemporaryDirectory(prefix="pintle-notices.") as scratch:
    main(scratch)
