"""A client as plain as can be: reads every source of a serving fleet twice and compares with its ledger.

usage: read_back.py URL DIR FIRST_READ

The fleet shows what was published until FIRST_READ; it is read to the end, moved on to its end, and read again. Checked:
pages join without gap or overlap, a restart and an overrun show as they should, what was read is the ledger's readable
part and nothing else, and episodes made from the conditions read are those of truth/episodes.csv.
"""
import csv, json, sys, urllib.error, urllib.request
import xml.etree.ElementTree as tree

url, folder, first_read = sys.argv[1:4]
STATES = {"Normal": "normal", "Warning": "warning", "Fault": "alarm", "Unavailable": "unavailable"}


def rows(name):
    with open(f"{folder}/{name}.csv", encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def fetch(path, method="GET"):
    try:
        with urllib.request.urlopen(urllib.request.Request(f"{url}/{path}", method=method)) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        return error.code, error.read()


def local(element):
    return element.tag.rpartition("}")[2]


class Answer:
    """One document: instance, first, last, next, error, and {sequence: (item, device, time, state or value, code, id)}."""

    def __init__(self, body, feed):
        self.error, self.seen, self.order = None, {}, []
        (self.read_feed if feed else self.read_xml)(body)

    def read_feed(self, body):
        answer = json.loads(body)
        self.instance = answer["instance"]
        buffer = answer["buffer"]
        self.first, self.last, self.next = buffer["first"], buffer["last"], buffer["next"]
        self.error = answer["error"]["code"].upper() if "error" in answer else None
        for o in answer.get("observations", []):
            value = o["state"] if "state" in o else "" if o["value"] is None else str(o["value"])
            self.add(o["sequence"], o["item"], o["device"], o["time"], value, o.get("code", ""), o.get("id", ""))

    def read_xml(self, body):
        root = tree.fromstring(body)
        header = next(e for e in root if local(e) == "Header")
        self.instance = header.get("instanceId")
        if local(root) == "MTConnectError":
            self.error = next(e for e in root.iter() if local(e) == "Error").get("errorCode")
            return
        self.first, self.last, self.next = (int(header.get(f"{w}Sequence")) for w in ("first", "last", "next"))
        for device in (e for e in root.iter() if local(e) == "DeviceStream"):
            for o in (e for e in device.iter() if e.get("dataItemId")):
                text = (o.text or "").strip()
                value = STATES.get(local(o)) or ("" if text == "UNAVAILABLE" else text)
                self.add(int(o.get("sequence")), o.get("dataItemId"), device.get("uuid"), o.get("timestamp"), value,
                         o.get("nativeCode", ""), o.get("conditionId", ""))

    def add(self, sequence, item, device, time, value, code, identity):
        assert sequence not in self.seen, f"sequence {sequence} twice in one document"
        self.seen[sequence] = (item, device, time, value, code, identity)
        self.order.append(sequence)


class Client:
    def __init__(self, source):
        self.name, self.feed = source["source"], source["format"] == "feed"
        self.instance, self.next, self.stored, self.gaps = None, 0, {}, []

    def get(self, request):
        return Answer(fetch(f"{self.name}/{request}")[1], self.feed)

    def store(self, answer):
        for sequence, seen in answer.seen.items():
            known = self.stored.setdefault((answer.instance, sequence), seen)
            assert known == seen, f"{self.name}: {sequence} changed from {known} to {seen}"

    def read_to_end(self, count=5000):
        now = self.get("current")
        if self.instance is not None and now.instance != self.instance:
            self.gaps.append((self.instance, str(self.next), "", "restart"))
        elif self.instance is not None and now.first > self.next:
            assert self.get(f"sample?from={self.next}").error == "OUT_OF_RANGE", f"{self.name}: overrun not told"
            self.gaps.append((self.instance, str(self.next), str(now.first), "overrun"))
        if now.instance != self.instance or now.first > self.next:
            self.store(now)
            self.instance, self.next = now.instance, now.first
        while self.next <= now.last:
            size = min(count, int(self.buffer))
            page = self.get(f"sample?from={self.next}&count={size}")
            assert page.error is None and page.instance == self.instance
            assert sorted(page.seen) == list(range(self.next, page.next)), f"{self.name}: page from {self.next} has holes"
            assert len(page.seen) == min(size, page.last - self.next + 1)
            self.store(page)
            self.next = page.next
        self.at_end(now)

    def at_end(self, now):
        """Nothing new is either an empty document or OUT_OF_RANGE; beyond it is always the latter."""
        assert self.next == now.last + 1
        nothing = self.get(f"sample?from={self.next}")
        assert nothing.error == "OUT_OF_RANGE" or (nothing.error is None and not nothing.seen)
        for wrong in (f"from={self.next + 1}", "count=0", f"count={int(self.buffer) + 1}"):
            assert self.get(f"sample?{wrong}").error == "OUT_OF_RANGE", wrong
        if now.first > 1:
            assert self.get(f"sample?from={now.first - 1}").error == "OUT_OF_RANGE"
        assert len(self.get("sample").seen) == min(100, now.last - now.first + 1)

    def learn_buffer(self):
        body = fetch(f"{self.name}/probe")[1]
        self.buffer = json.loads(body)["buffer"]["size"] if self.feed else next(
            e for e in tree.fromstring(body) if local(e) == "Header").get("bufferSize")


def compare_with_ledger(clients):
    bound = {(r["source"], r["item"]) for r in rows("register/bindings")}
    got = {(c.name, *key): seen for c in clients for key, seen in c.stored.items() if (c.name, seen[0]) in bound}
    expected = {}
    for name, value in (("readings", "rpm"), ("conditions", "state"), ("events", "value")):
        for r in rows(f"ledger/{name}"):
            if r["readable"] == "yes":
                time = r.get("read_at") or r.get("occurred_at")
                expected[r["source"], r["instance"], int(r["sequence"])] = (
                    r["item"], r["device"], time[:23], r[value], r.get("native_code", ""), r.get("condition_id", ""))
    got = {key: (*seen[:2], seen[2][:23], *seen[3:]) for key, seen in got.items()}
    wrong = [k for k in got.keys() | expected.keys() if got.get(k) != expected.get(k)]
    for k in sorted(wrong)[:5]:
        print(k, "read", got.get(k), "ledger", expected.get(k))
    assert not wrong, f"{len(wrong)} observations differ from the ledger"
    gaps = sorted((c.name, *gap) for c in clients for gap in c.gaps)
    assert gaps == sorted(tuple(r.values()) for r in rows("ledger/gaps")), gaps
    return len(expected), len(gaps)


def activations(kinds):
    """Spans in which a fan's fault is active on some item of a drive, from the readable conditions."""
    active, spans = {}, {}  # active: (source, item) -> {identity: [native code, span or None]}
    readable = [r for r in rows("ledger/conditions") if r["readable"] == "yes" and r["drive"]]
    for r in sorted(readable, key=lambda r: (r["source"], int(r["instance"]), int(r["sequence"]))):
        held = active.setdefault((r["source"], r["item"]), {})
        key, code = r["condition_id"] or r["native_code"], r["native_code"]
        if r["state"] in ("warning", "alarm"):
            kind = kinds[r["source"], code]
            span = held[key][1] if key in held else None
            if span is None and kind != "other":
                span = {"fault": "heat_sink_fan" if kind.startswith("heat") else "fan", "began": r["occurred_at"],
                        "alarm": "", "ended": ""}
                spans.setdefault(r["drive"], []).append(span)
            if span and r["state"] == "alarm" and not span["alarm"]:
                span["alarm"] = r["occurred_at"]
            held[key] = [code, span]
        elif r["state"] == "normal":
            for k in [k for k in held if not key or k == key or held[k][0] == code]:
                if held[k][1]:
                    held[k][1]["ended"] = r["occurred_at"]
                del held[k]
    return spans


def episodes():
    """Activations of one drive and kind that overlap are one episode; one that a restart interrupts goes on."""
    controllers = {r["machine"]: r["controller"] for r in rows("register/machines")}
    machine_of = {r["drive"]: r["machine"] for r in rows("register/drives")}
    by_source = {r["source"]: controllers[machine_of[r["drive"]]] for r in rows("register/bindings") if r["drive"]}
    codes = {(r["controller"], r["native_code"]): r["kind"] for r in rows("register/code_map")}
    kinds = {(s, code): kind for s, c in by_source.items() for (controller, code), kind in codes.items() if c == controller}
    found = []
    for drive, spans in activations(kinds).items():
        for fault in ("fan", "heat_sink_fan"):
            merged = []
            for span in sorted((s for s in spans if s["fault"] == fault), key=lambda s: s["began"]):
                if merged and (not merged[-1]["ended"] or span["began"] <= merged[-1]["ended"]):
                    last = merged[-1]
                    last["alarm"] = min(filter(None, (last["alarm"], span["alarm"])), default="")
                    last["ended"] = last["ended"] and span["ended"] and max(last["ended"], span["ended"])
                else:
                    merged.append(dict(span))
            for m in merged:
                outcome = ("open" if not m["ended"] else "cleared by itself" if not m["alarm"] else
                           "ended in alarm" if m["began"] < m["alarm"] else "unannounced")
                found.append((drive, fault, m["began"], m["alarm"], m["ended"], outcome))
    return sorted(found)


def compare_episodes():
    truth = sorted(tuple(r.values()) for r in rows("truth/episodes"))
    found = episodes()
    for lost in sorted(set(truth) ^ set(found))[:6]:
        print("only in", "truth" if lost in truth else "conditions", lost)
    assert truth == found
    return len(truth)


clients = [Client(r) for r in rows("register/sources")]
for client in clients:
    client.learn_buffer()
    client.read_to_end()
assert fetch("control/advance?to=2001-01-01", "POST")[0] == 400
assert fetch("control/advance?to=end", "POST")[0] == 200
assert json.loads(fetch("control/state")[1])["now"] != first_read
for client in clients:
    client.read_to_end(997)
count, gaps = compare_with_ledger(clients)
print(f"{count} observations as in the ledger, {gaps} gaps, {compare_episodes()} episodes")
