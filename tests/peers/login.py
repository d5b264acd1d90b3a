"""A reader of the page with users: asks without logging in, logs in, asks again, records a service, logs out.

usage: login.py HOST:PORT CA NAME PASSWORD
One JSON object a step on standard output. Only the standard library: its TLS is OpenSSL's, not ours.
"""

import http.client
import json
import ssl
import sys
from urllib.parse import urlencode

place, ca, name, password = sys.argv[1:]
context = ssl.create_default_context(cafile=ca)
cookie = None


def step(what, method, path, fields=None, origin=True):
    global cookie
    connection = http.client.HTTPSConnection(place, context=context, timeout=60)
    headers = {"Cookie": cookie} if cookie else {}
    if fields is not None:
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        if origin:
            headers["Origin"] = "https://" + place
    connection.request(method, path, urlencode(fields) if fields is not None else None, headers)
    answer = connection.getresponse()
    body = answer.read().decode()
    given = answer.getheader("Set-Cookie")
    if given and answer.status == 303:
        cookie = given.split(";")[0]
    print(json.dumps({"what": what, "status": answer.status, "body": body, "tls": connection.sock and connection.sock.version()}))
    connection.close()


step("stranger", "GET", "/api/v1/status")
step("stranger changes", "POST", "/mechanism/main-hoist/service", {"what": "note", "by": "x"})
step("wrong", "POST", "/login", {"name": name, "password": "wrong"})
step("in", "POST", "/login", {"name": name, "password": password})
step("reads", "GET", "/api/v1/status")
step("upkeep", "GET", "/mechanism/main-hoist/upkeep")
step("foreign", "POST", "/mechanism/main-hoist/service", {"what": "note", "by": "x"}, origin=False)
step("changes", "POST", "/mechanism/main-hoist/service", {"what": "note", "by": "somebody else", "note": "sheet 12"})
step("out", "POST", "/logout", {})
step("stranger again", "GET", "/api/v1/status")
