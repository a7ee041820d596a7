"""Web pages against the port of a head: browser.py CHROMIUM PROGRAM.

A page uses everything it has: fetch with bodies, methods and headers, forms, beacons, WebSocket,
EventSource, pictures, scripts, frames, TURN. The first target is a port that only listens, to see what the
browser really sends. Then come the servers, while a plain client observes. Their heads are simulated and
on virtual time, so a single executed command shows in the head's clock.
"""

import http.server
import pathlib
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time

ROOT = pathlib.Path(__file__).parents[2]
CHROMIUM, PROGRAM = sys.argv[1:]
PATIENCE = 60.0

PAGE = r"""<!doctype html><meta charset="utf-8"><title>a page</title><body><script>
const port = PORT, at = "127.0.0.1:" + port, http = "http://" + at + "/", tls = "https://" + at + "/";
const commands = ["\n", "\r\n", "\n\n!\n"].map(end =>
  end + ["CONT:TAKE", "ROT:SPE 500", "CLOC:SLE 12", "LAS:ARM 1", ""].join(end));
const tried = [];
const attempt = (name, what) => tried.push(Promise.race([
  Promise.resolve().then(what).then(() => 0, () => 0), new Promise(done => setTimeout(done, 3000))]));
const add = (tag, set) => { const made = document.createElement(tag); Object.assign(made, set); document.body.append(made); };
const send = (address, options) => fetch(address, {mode: "no-cors", cache: "no-store", ...options});

for (const body of commands) {
  const query = http + "?" + encodeURIComponent(body), bytes = new TextEncoder().encode(body);
  const form = new FormData();
  form.append(body, body);
  form.append("file", new File([body], "x\n" + body, {type: "text/plain"}));
  for (const what of [body, bytes, new Blob([body]), new Blob([body], {type: "text/plain"}), form,
                      new URLSearchParams({a: body}), body.repeat(2000)])
    attempt("body", () => send(http, {method: "POST", body: what}));
  attempt("keepalive", () => send(http, {method: "POST", body, keepalive: true}));
  attempt("beacon", () => navigator.sendBeacon(http, body));
  attempt("query", () => send(query));
  attempt("head", () => send(query, {method: "HEAD"}));
  for (const method of ["PUT", "DELETE", "PATCH", "OPTIONS", "*RST", "*IDN", "CONT"]) {
    attempt("method", () => send(http, {method, body, mode: "cors"}));
    attempt("method", () => send(http, {method, mode: "cors"}));
  }
  const plain = body.replace(/[\r\n]+/g, ";:");
  attempt("headers", () => send(http, {headers: {"Accept": "*RST;CONT", "Accept-Language": "*CLS"}}));
  attempt("headers", () => send(http, {mode: "cors", headers: {"CONT": plain, "X-Y": plain}}));
  attempt("xhr", () => new Promise(done => {
    const request = new XMLHttpRequest();
    request.onloadend = done;
    request.open("POST", http);
    request.setRequestHeader("Content-Type", "text/plain");
    request.send(body);
  }));
  attempt("websocket", () => new Promise(done => { new WebSocket("ws://" + at + "/" + encodeURIComponent(body), ["CONT", "x"]).onclose = done; }));
  attempt("events", () => new Promise(done => { const source = new EventSource(query); source.onerror = () => { source.close(); done(); }; }));
  attempt("tls", () => send(tls, {method: "POST", body}));
  attempt("turn", async () => {
    for (const scheme of ["turn", "turns"]) {
      const peer = new RTCPeerConnection({iceServers: [
        {urls: `${scheme}:${at}?transport=tcp`, username: body, credential: body}], iceTransportPolicy: "relay"});
      peer.createDataChannel("x");
      await peer.setLocalDescription(await peer.createOffer());
    }
  });
  for (const enctype of ["text/plain", "multipart/form-data", "application/x-www-form-urlencoded"]) {
    const name = "frame" + document.querySelectorAll("iframe").length;
    add("iframe", {name});
    const made = document.createElement("form");
    Object.assign(made, {method: "POST", action: http, target: name, enctype});
    for (const field of [body, "*IDN?\n" + body]) {
      const area = document.createElement("textarea");
      Object.assign(area, {name: field, value: field});
      made.append(area);
    }
    document.body.append(made);
    made.submit();
  }
  add("img", {src: query}); add("script", {src: query}); add("iframe", {src: query}); add("video", {src: query});
  add("link", {rel: "stylesheet", href: query}); add("object", {data: query}); add("embed", {src: query});
  add("link", {rel: "preconnect", href: http}); add("link", {rel: "prefetch", href: query});
  add("img", {src: tls}); add("iframe", {src: "ftp://" + at + "/" + encodeURIComponent(body)});
}
attempt("wss", () => new Promise(done => { new WebSocket("wss://" + at + "/").onclose = done; }));
attempt("worker", () => new Promise(done => {
  const code = `try { importScripts(${JSON.stringify(http)}); } catch {} postMessage(0);`;
  new Worker(URL.createObjectURL(new Blob([code]))).onmessage = done;
}));
Promise.all(tried).then(() => new Promise(done => setTimeout(done, 1500))).then(() => fetch("/done?" + tried.length));
</script>
"""


class Pages(http.server.ThreadingHTTPServer):
    """Serves the page for a port, and is notified when the page is done."""

    daemon_threads = True

    def __init__(self):
        super().__init__(("127.0.0.1", 0), Page)
        self.done, self.tried = threading.Event(), 0
        threading.Thread(target=self.serve_forever, daemon=True).start()


class Page(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        path, _, rest = self.path.partition("?")
        if path == "/done":
            self.server.tried = int(rest)
            self.server.done.set()
        body = PAGE.replace("PORT", rest).encode() if path == "/page" else b""
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass


def visit(port, watched):
    """Opens the page in its own browser, and calls `watched` repeatedly until the page is done."""
    pages = Pages()
    with tempfile.TemporaryDirectory() as profile:
        browser = subprocess.Popen(
            [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync",
             "--remote-debugging-port=0", f"--user-data-dir={profile}",
             f"http://127.0.0.1:{pages.server_port}/page?{port}"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        try:
            until = time.monotonic() + PATIENCE
            while not pages.done.is_set():
                watched()
                assert browser.poll() is None, "the browser ended unexpectedly"
                assert time.monotonic() < until, "the page did not finish in time"
        finally:
            browser.terminate()
            browser.wait()
            pages.shutdown()
            # Child processes may still write for a moment.
            time.sleep(0.5)
    assert pages.tried > 60, pages.tried
    return pages.tried


def what_a_browser_sends():
    """The first bytes of each connection to a port that sends no reply."""
    listener, heard = socket.create_server(("127.0.0.1", 0), backlog=500), []

    def hear(stream):
        said = b""
        with stream:
            stream.settimeout(0.1)
            try:
                while len(said) < 4000 and (part := stream.recv(4096)):
                    said += part
            except OSError:
                pass
        heard.append(said)

    def listen():
        while True:
            try:
                stream, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=hear, args=(stream,), daemon=True).start()

    threading.Thread(target=listen, daemon=True).start()
    visit(listener.getsockname()[1], lambda: time.sleep(0.02))
    listener.close()
    kinds = {
        "commands on separate lines": rb"(?s)POST / HTTP/1\.1\r\n.*\nCONT:TAKE\r?\nROT:SPE 500\r?\nCLOC:SLE 12\r?\nLAS:ARM 1\r?\n",
        "a form as plain text": rb"(?s)POST .*Content-Type: text/plain.*\nCONT:TAKE\r?\n",
        "a multipart form": rb"(?s)POST .*multipart/form-data",
        "GET": rb"GET /\?",
        "HEAD": rb"HEAD /",
        "a preflight request": rb"OPTIONS / HTTP/1\.1",
        "custom headers": rb"(?s)GET / HTTP/1\.1\r\n.*\*RST;CONT",
        "WebSocket": rb"(?s)GET .*Upgrade: websocket",
        "events": rb"(?s)GET .*text/event-stream",
        "TLS": rb"\x16\x03",
        "TURN": rb"\x00[\x01\x03]\x00",
    }
    counts = {kind: sum(bool(re.match(shape, said)) for said in heard) for kind, shape in kinds.items()}
    print(f"{len(heard)} connections of a page:", *(f"  {kind}: {count}" for kind, count in counts.items()), sep="\n")
    assert all(counts.values()), {said[:40] for said in heard}


class Line:
    """A plain client that observes."""

    def __init__(self, port):
        self.stream = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.reader = self.stream.makefile("rb")

    def ask(self, said):
        self.stream.sendall(said.encode() + b"\n")
        reply = self.reader.readline().decode().strip()
        assert reply, f"{said}: the server closed the connection"
        return reply


def against(name, command):
    server = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        while not (place := re.search(r"tcp://127\.0\.0\.1:(\d+)", line := server.stdout.readline())):
            assert line, f"{name} does not start"
        port = int(place[1])
        looking = Line(port)
        began = looking.ask("CLOC:TIME?;:ROT:TARG?;:LAS:ARM?;:CONT:OWN?")
        assert began.endswith(";9.91E+37;0;NONE"), began

        def watched():
            stands = looking.ask("CLOC:TIME?;:ROT:TARG?;:LAS:ARM?;:CONT:OWN?")
            assert stands == began, f"a page reached the head: {began} before, {stands} now"
            time.sleep(0.002)

        tried = visit(port, watched)
        watched()
        # A client of the real protocol is still served.
        own = Line(port)
        assert own.ask("CONT:TAKE;:CONT:OWN?") == "SELF"
    finally:
        server.terminate()
        said, _ = server.communicate()
    assert "another protocol" in said and said.count("made safe") <= (name == "Python"), said
    print(f"{name}: {tried} requests, and more without a reply; the head never moved and no page took control")


what_a_browser_sends()
against("spintrue", [PROGRAM, "serve", "--listen", "127.0.0.1:0", "--no-secret", "the attack without it"])
against("Python", [sys.executable, "-B", str(ROOT / "docs/examples/python_head/main.py"), "--port", "0"])
