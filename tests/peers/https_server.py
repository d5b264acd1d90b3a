"""A web server by the standard library and OpenSSL that speaks to nobody without a certificate of the given authority.

usage: https_server.py PORT CERTIFICATE KEY AUTHORITY

It answers as each destination wants it: 204 to a write of lines, the words of a chat server to a login and a message,
200 to all else. A line of its output is a request: method, path, and the name in the caller's certificate.
"""

import json
import socket
import ssl
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

PORT, CERTIFICATE, KEY, AUTHORITY = sys.argv[1:]
CONTEXT = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
CONTEXT.load_cert_chain(CERTIFICATE, KEY)
CONTEXT.load_verify_locations(AUTHORITY)
CONTEXT.verify_mode = ssl.CERT_REQUIRED
# Requests are answered side by side, and a print is several writes: unguarded, two lines become one.
ONE_AT_A_TIME = threading.Lock()


class Server(ThreadingHTTPServer):
    daemon_threads = True

    def finish_request(self, request, address):
        raw = request.dup()
        try:
            secured = CONTEXT.wrap_socket(request, server_side=True)
        except (ssl.SSLError, OSError) as error:
            print("refused", error, file=sys.stderr, flush=True)
            # Closed by the caller, so that no reset overtakes the alert.
            raw.settimeout(5)
            try:
                raw.shutdown(socket.SHUT_WR)
                while raw.recv(4096):
                    pass
            except OSError:
                pass
            return
        finally:
            raw.close()
        super().finish_request(secured, address)


class Answers(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def answer(self):
        self.rfile.read(int(self.headers.get("Content-Length", 0)))
        subject = dict(pair for part in self.connection.getpeercert()["subject"] for pair in part)
        path = self.path.split("?")[0]
        with ONE_AT_A_TIME:
            print(self.command, path, subject["commonName"], flush=True)
        if path == "/api/v2/write":
            self.send_response(204)
            self.end_headers()
            return
        words = {"access_token": "t"} if path.endswith("/login") else {"event_id": "$1"}
        body = json.dumps(words).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    do_POST = answer
    do_PUT = answer

    def log_message(self, format, *words):
        pass


Server(("127.0.0.1", int(PORT)), Answers).serve_forever()
