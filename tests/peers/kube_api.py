"""The part of a Kubernetes API server that leases need, over TLS, by the published conventions
(https://github.com/kubernetes/community, contributors/devel/sig-architecture/api-conventions.md):
objects have a `resourceVersion` that changes with each write; a PUT with another one, and a POST of a
name that is taken, are answered with 409 and a `Status`.

    kube_api.py FOLDER

Writes `ca.crt`, `token` and `namespace` into the folder, as a pod finds them, and prints a line of JSON
with its `url`. Then each line of its standard input is an order, answered with a line of JSON:

    {"do": "tell"}                         the lease
    {"do": "annotate"}                     somebody changes something else of it
    {"do": "fail", "how": "503"}           the next write is refused
    {"do": "fail", "how": "cut"}           its connection is cut before it has an effect
    {"do": "fail", "how": "cut-after"}     or after
"""

import http.server
import json
import pathlib
import re
import ssl
import subprocess
import sys
import threading
import uuid

NAMESPACE = "boatyard"
TOKEN = "a-token-of-the-test"
# RFC 3339 with microseconds, as the type MicroTime has it.
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
PATH = f"/apis/coordination.k8s.io/v1/namespaces/{NAMESPACE}/leases"

lock = threading.Lock()
leases = {}
version = 100
failure = None


def invalid(spec):
    """What validation of the real one refuses (pkg/apis/coordination/validation)."""
    if spec.get("leaseDurationSeconds", 1) <= 0:
        return "spec.leaseDurationSeconds: must be greater than 0"
    if spec.get("leaseTransitions", 0) < 0:
        return "spec.leaseTransitions: must be greater than or equal to 0"
    for name in ("acquireTime", "renewTime"):
        if name in spec and not TIME.fullmatch(spec[name]):
            return f"spec.{name}: not a time with microseconds: {spec[name]}"
    return None


class Handler(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        pass

    def answer(self, code, body):
        body = json.dumps(body).encode()
        self.send_response(code)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def refuse(self, code, reason, message):
        self.answer(code, {"kind": "Status", "apiVersion": "v1", "metadata": {}, "status": "Failure",
                           "message": message, "reason": reason, "code": code})

    def begin(self):
        """The name that is asked for; nothing where the request was answered already."""
        if self.headers.get("Authorization") != f"Bearer {TOKEN}":
            self.refuse(401, "Unauthorized", "Unauthorized")
            return None
        path = self.path.split("?")[0]
        if path == PATH:
            return ""
        if path.startswith(PATH + "/"):
            return path[len(PATH) + 1:]
        self.refuse(404, "NotFound", "the server could not find the requested resource")
        return None

    def do_GET(self):
        name = self.begin()
        if name is None:
            return
        with lock:
            lease = leases.get(name)
        if lease is None:
            self.refuse(404, "NotFound", f'leases.coordination.k8s.io "{name}" not found')
        else:
            self.answer(200, lease)

    def do_POST(self):
        self.write(None)

    def do_PUT(self):
        self.write("PUT")

    def write(self, put):
        global failure, version
        name = self.begin()
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        if name is None:
            return
        with lock:
            how, failure = failure, None
            if how == "503":
                return self.refuse(503, "ServiceUnavailable", "etcdserver: leader changed")
            if how == "cut":
                self.close_connection = True
                return self.connection.close()
            meta, spec = body["metadata"], body.get("spec", {})
            if body.get("kind") != "Lease" or body.get("apiVersion") != "coordination.k8s.io/v1":
                return self.refuse(400, "BadRequest", "no lease")
            wrong = invalid(spec)
            if wrong:
                return self.refuse(422, "Invalid", wrong)
            if put:
                there = leases.get(name)
                if there is None:
                    return self.refuse(404, "NotFound", f'leases "{name}" not found')
                if not meta.get("resourceVersion"):
                    return self.refuse(422, "Invalid", "metadata.resourceVersion: must be specified")
                if meta["resourceVersion"] != there["metadata"]["resourceVersion"]:
                    return self.refuse(409, "Conflict", f'Operation cannot be fulfilled on leases "{name}": '
                                       "the object has been modified")
            else:
                name = meta["name"]
                if meta.get("resourceVersion"):
                    return self.refuse(400, "BadRequest", "resourceVersion should not be set")
                if name in leases:
                    return self.refuse(409, "AlreadyExists", f'leases "{name}" already exists')
                meta["uid"] = str(uuid.uuid4())
                meta["creationTimestamp"] = "2026-05-04T07:31:00Z"
            version += 1
            meta["namespace"] = NAMESPACE
            meta["resourceVersion"] = str(version)
            leases[name] = body
            if how == "cut-after":
                self.close_connection = True
                return self.connection.close()
            self.answer(200 if put else 201, body)


def certificates(folder):
    def openssl(*words):
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=cluster",
            "-keyout", "ca.key", "-out", "ca.crt")
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=api", "-keyout", "api.key",
            "-out", "api.csr")
    (folder / "api.ext").write_text("subjectAltName=IP:127.0.0.1\nbasicConstraints=CA:FALSE\n")
    openssl("x509", "-req", "-in", "api.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", "api.ext", "-out", "api.crt")


def main():
    global failure, version
    folder = pathlib.Path(sys.argv[1])
    certificates(folder)
    (folder / "token").write_text(TOKEN)
    (folder / "namespace").write_text(NAMESPACE)
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "api.crt", folder / "api.key")
    server.socket = context.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    print(json.dumps({"url": f"https://127.0.0.1:{server.server_address[1]}"}), flush=True)
    # Whoever started this holds the other end: it closes when he is gone, whatever happened.
    for line in sys.stdin:
        order = json.loads(line)
        with lock:
            if order["do"] == "fail":
                failure = order["how"]
            elif order["do"] == "annotate":
                version += 1
                meta = leases["forebay"]["metadata"]
                meta.setdefault("annotations", {})["note"] = str(version)
                meta["resourceVersion"] = str(version)
            print(json.dumps(leases.get("forebay")), flush=True)


main()
