"""Open services on this machine alone, for tests: run as a process, it prints its port.

Files with byte ranges, a STAC API, an Overpass interpreter, three feature services, two weather
services; and under /bad/ what a service may do wrong.
"""

from __future__ import annotations

import gzip
import json
import re
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

ROOT = Path(sys.argv[1]) if len(sys.argv) > 1 else Path()
TOKEN = "sig=not-to-be-told"
CONFORMS = ["core", "item-search", "item-search#query", "item-search#sort"]
counts: dict[str, int] = {}
lock = threading.Lock()


def meets(box: list[float], other: list[float]) -> bool:
    return box[0] <= other[2] and box[2] >= other[0] and box[1] <= other[3] and box[3] >= other[1]


def extent(feature: dict[str, Any]) -> list[float]:
    numbers = re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", json.dumps(feature["geometry"]["coordinates"]))
    xs, ys = [float(n) for n in numbers[::2]], [float(n) for n in numbers[1::2]]
    return [min(xs), min(ys), max(xs), max(ys)]


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *_: Any) -> None:
        pass

    @property
    def base(self) -> str:
        return f"http://{self.headers['Host']}"

    def count(self) -> int:
        path = urlsplit(self.path).path
        with lock:
            counts[path] = counts.get(path, 0) + 1
            return counts[path]

    def do_GET(self) -> None:
        self.serve(b"")

    def do_POST(self) -> None:
        self.serve(self.rfile.read(int(self.headers.get("Content-Length", 0))))

    def serve(self, body: bytes) -> None:
        parts = urlsplit(self.path)
        asked = {k: v[0] for k, v in parse_qs(parts.query).items()}
        _, kind, *rest = parts.path.split("/")
        number = self.count()
        try:
            if kind == "bad":
                self.bad(rest[0], number)
            else:
                getattr(self, f"get_{kind.replace('-', '_')}")(rest, asked, body)
        except (BrokenPipeError, ConnectionResetError):
            pass
        except (AttributeError, FileNotFoundError, IndexError, KeyError):
            self.give(b"none", status=404)

    def give(
        self, body: bytes, *, status: int = 200, kind: str = "text/plain", **more: str
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        for name, value in more.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body)

    def json(self, held: Any) -> None:
        self.give(json.dumps(held).encode(), kind="application/json")

    def get_counts(self, _rest: list[str], _asked: dict[str, str], _body: bytes) -> None:
        self.json(counts)

    def get_files(self, rest: list[str], asked: dict[str, str], _body: bytes) -> None:
        if rest[0] == "signed" and asked.get("sig") != TOKEN.partition("=")[2]:
            self.give(b"signature wanted", status=403)
            return
        path = ROOT / "files" / "/".join(rest)
        data = path.read_bytes()
        tag = f'"{len(data)}"'
        match = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
        if match is None:
            self.give(data.replace(b"BASE", self.base.encode()), ETag=tag)
            return
        first, last = int(match[1]), min(int(match[2]), len(data) - 1)
        self.give(
            data[first : last + 1],
            status=206,
            ETag=tag,
            Content_Range=f"bytes {first}-{last}/{len(data)}",
        )

    def get_token(self, _rest: list[str], _asked: dict[str, str], _body: bytes) -> None:
        self.json({"token": TOKEN})

    def get_stac(self, rest: list[str], _asked: dict[str, str], body: bytes) -> None:
        if not rest:
            about = {"type": "Catalog", "id": "local", "stac_version": "1.0.0", "description": "x"}
            link = {"rel": "search", "href": f"{self.base}/stac/search", "type": "application/json"}
            root = {"rel": "self", "href": f"{self.base}/stac"}
            self.json({**about, "conformsTo": CONFORMS, "links": [root, link]})
            return
        wanted = json.loads(body)
        held = (ROOT / "items.json").read_text().replace("BASE", self.base)
        items = [
            i for i in json.loads(held)
            if i["collection"] in wanted["collections"] and meets(i["bbox"], wanted["bbox"])
        ]  # fmt: skip
        items.sort(key=lambda i: i["properties"]["datetime"], reverse=True)
        start = int(wanted.get("token", 0))
        page = {"type": "FeatureCollection", "features": items[start : start + 2], "links": []}
        if start + 2 < len(items):
            following = {"rel": "next", "method": "POST", "href": f"{self.base}/stac/search"}
            page["links"] = [{**following, "body": {**wanted, "token": start + 2}}]
        self.json(page)

    def get_overpass(self, _rest: list[str], _asked: dict[str, str], body: bytes) -> None:
        assert b"out%3Axml" in body
        self.give((ROOT / "answer.osm").read_bytes(), kind="application/osm3s+xml")

    def features(self, name: str, box: str) -> list[dict[str, Any]]:
        held = json.loads((ROOT / f"{name}.geojson").read_text())["features"]
        bounds = [float(v) for v in box.split(",")[:4]]
        found = [f for f in held if meets(extent(f), bounds)]
        return [{**f, "id": f"{name}.{i}"} for i, f in enumerate(found)]

    def get_ogc(self, rest: list[str], asked: dict[str, str], _body: bytes) -> None:
        found = self.features(rest[1], asked["bbox"])
        start, size = int(asked.get("offset", 0)), 3
        page = {"type": "FeatureCollection", "numberMatched": len(found)}
        page["features"] = found[start : start + size]
        if start + size < len(found):
            more = f"/ogc/collections/{rest[1]}/items?bbox={asked['bbox']}&offset={start + size}"
            page["links"] = [{"rel": "next", "href": more}]
        self.json(page)

    def get_wfs(self, _rest: list[str], asked: dict[str, str], _body: bytes) -> None:
        found = self.features(asked["typeNames"], asked["bbox"])
        start, size = int(asked["startIndex"]), int(asked["count"])
        page = {"type": "FeatureCollection", "numberMatched": len(found)}
        self.json({**page, "features": found[start : start + size]})

    def get_arcgis(self, rest: list[str], asked: dict[str, str], _body: bytes) -> None:
        found = self.features(rest[0], asked["geometry"])
        start, size = int(asked["resultOffset"]), 2
        page: dict[str, Any] = {
            "type": "FeatureCollection",
            "features": found[start : start + size],
        }
        if start + size < len(found):
            page["properties"] = {"exceededTransferLimit": True}
        self.json(page)

    def get_points(self, _rest: list[str], _asked: dict[str, str], _body: bytes) -> None:
        about = {"timeZone": "America/Chicago", "forecastHourly": f"{self.base}/hourly"}
        self.json({"properties": about})

    def get_hourly(self, _rest: list[str], _asked: dict[str, str], _body: bytes) -> None:
        self.json(json.loads((ROOT / "hourly.json").read_text()))

    def get_meteo(self, _rest: list[str], asked: dict[str, str], _body: bytes) -> None:
        assert asked["wind_speed_unit"] == "ms"
        self.json(json.loads((ROOT / "meteo.json").read_text()))

    def bad(self, name: str, number: int) -> None:
        {
            "silent": lambda: time.sleep(1),
            "slow": self.slow,
            "cut": self.cut,
            "html": lambda: self.give(b"<!DOCTYPE html><p>Sign in", kind="text/html"),
            "huge": lambda: self.head_only("Content-Length", "10000000000"),
            "endless": self.endless,
            "bomb": self.bomb,
            "file": lambda: self.give(b"", status=302, Location="file:///etc/passwd"),
            "ftp": lambda: self.give(b"", status=302, Location="ftp://localhost/x"),
            "moved": lambda: self.give(b"", status=307, Location="/files/small.json"),
            "loop": lambda: self.give(b"", status=302, Location="/bad/loop"),
            "flaky": lambda: self.flaky(number),
            "limit": lambda: self.give(b"", status=429, Retry_After="3600"),
            "refused": lambda: self.give(b"", status=403),
            "nothing": lambda: self.give(b"{}"),
            "error": lambda: self.json({"error": {"code": 400, "message": "Invalid query"}}),
            "parts": lambda: self.give(b"0" * 50_000),
            "other": lambda: self.give(b"0" * 10, status=206, Content_Range="bytes 5-14/90000"),
            "tags": lambda: self.tags(number),
            "remark": lambda: self.give(
                b"<osm><remark>runtime error: Query timed out</remark></osm>"
            ),
            "xmlbomb": lambda: self.give(XML_BOMB),
            "short": lambda: self.give(b'<?xml version="1.0"?><osm version="0.6"><node id="1"'),
            "lastpage": lambda: self.json(
                {"type": "FeatureCollection", "features": [], "numberMatched": 9}
            ),
            "samepage": lambda: self.json(
                {
                    "type": "FeatureCollection",
                    "features": [FEATURE],
                    "properties": {"exceededTransferLimit": True},
                }
            ),
            "swapped": lambda: self.json({"type": "FeatureCollection", "features": [FEATURE]}),
            "elsewhere": lambda: self.json(
                {"features": [FEATURE], "links": [{"rel": "next", "href": "http://other.test/"}]}
            ),
            "nofeature": lambda: self.json({"features": [{"geometry": {"type": "Blob"}}]}),
        }[name]()

    def head_only(self, name: str, value: str) -> None:
        self.send_response(200)
        self.send_header(name, value)
        self.end_headers()
        self.wfile.write(b"x" * 1000)
        self.close_connection = True

    def slow(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", "1000")
        self.end_headers()
        for _ in range(8):
            self.wfile.write(b"x")
            self.wfile.flush()
            time.sleep(0.05)
        self.close_connection = True

    def cut(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", "1000")
        self.end_headers()
        self.wfile.write(b'{"a": ')
        self.close_connection = True

    def endless(self) -> None:
        self.send_response(200)
        self.send_header("Connection", "close")
        self.end_headers()
        for _ in range(400):
            self.wfile.write(b"x" * 65536)
        self.close_connection = True

    def bomb(self) -> None:
        self.give(gzip.compress(b"0" * 30_000_000), Content_Encoding="gzip")

    def flaky(self, number: int) -> None:
        if number % 3:
            self.give(b"", status=503)
        else:
            self.json({"fine": True})

    def tags(self, number: int) -> None:
        match = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers["Range"])
        assert match
        first, last = int(match[1]), int(match[2])
        self.give(
            b"0" * (last - first + 1),
            status=206,
            ETag=f'"{number}"',
            Content_Range=f"bytes {first}-{last}/900000",
        )


FEATURE = {
    "type": "Feature",
    "id": 1,
    "properties": {},
    "geometry": {"type": "Point", "coordinates": [44.1, -90.5]},
}
XML_BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE osm [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(b'<!ENTITY %c "&%c;&%c;&%c;&%c;">' % (c + 1, c, c, c, c) for c in range(97, 112))
    + b']><osm version="0.6"><node id="1" lat="1" lon="1"><tag k="building" v="&p;"/></node></osm>'
)

if __name__ == "__main__":
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    print(server.server_port, flush=True)
    server.serve_forever()
