#!/usr/bin/env python3
"""The recordings of the README, and its picture. Standard library only.

    python3 docs/recordings.py windowsill > examples/windowsill.csv
    python3 docs/recordings.py first-day > examples/first_day.jsonl
    tarewell replay --config examples/windowsill.yaml examples/windowsill.csv | python3 docs/recordings.py draw > docs/windowsill.svg

The recordings are made up. `windowsill`: a flat whose band of 1340 g dries with the sun, weighed every five minutes, lifted
once to be looked at, watered twice by hand. `first-day`: a new flat is weighed dry, soaked in three passes, and left to drain,
with the commands that somebody gives meanwhile. The picture holds nothing but what the replay printed.
"""

import json
import math
import random
import sys
from datetime import datetime, timedelta, timezone

ZONE = timezone(timedelta(hours=2))
BEGIN = datetime(2026, 4, 10, 6, 0, tzinfo=ZONE)
END = datetime(2026, 4, 14, 9, 0, tzinfo=ZONE)
DRY, CAPACITY = 2250.0, 3590.0
STEP = timedelta(minutes=5)
LIFTED = (datetime(2026, 4, 11, 11, 2, tzinfo=ZONE), datetime(2026, 4, 11, 11, 21, tzinfo=ZONE))
POURED = [datetime(2026, 4, 12, 8, 3, tzinfo=ZONE), datetime(2026, 4, 13, 17, 32, tzinfo=ZONE)]


def windowsill():
    """Prints four days as a table."""
    dice = random.Random(20260410)
    water = 0.675 * (CAPACITY - DRY)
    pours = list(POURED)
    at = BEGIN
    print("time,stand,value")
    while at < END:
        hour = at.hour + at.minute / 60
        sun = max(0.0, math.sin(math.tau * (hour - 7) / 26)) if 7 <= hour <= 20 else 0.0
        cloud = {10: 1.0, 11: 1.1, 12: 0.97, 13: 1.02, 14: 1.0}[at.day]
        water -= (3.2 + 21.0 * sun * cloud) * STEP.total_seconds() / 3600
        if pours and at >= pours[0]:
            pours.pop(0)
            water = 0.51 * (CAPACITY - DRY)
        weight = DRY + water + dice.gauss(0, 0.4)
        if LIFTED[0] <= at <= LIFTED[1]:
            weight = dice.gauss(0, 0.4)
        print(f"{at.isoformat()},sill,{weight:.1f}")
        at += STEP


def first_day():
    """Prints eighty minutes as messages, one JSON object a line."""
    dice = random.Random(7)
    begin = datetime(2026, 3, 6, 9, 0, tzinfo=timezone(timedelta(hours=-5)))

    def say(seconds, topic, payload):
        at = (begin + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.%f%z")
        print(json.dumps({"tst": at, "topic": topic, "payload": payload, "retain": 0}, separators=(",", ":")))

    command = "tarewell/flats/kale/command"
    dry, held, free = 1986.0, 0.0, 0.0
    for seconds in range(0, 80 * 60 + 1, 10):
        if seconds in (720, 1080, 1440):
            free += 420.0 if seconds == 1440 else 600.0
        # The mix takes up water in minutes; what it cannot hold drips out of the flat, ever slower.
        taken = min(free, (1190.0 - held) * 0.12)
        held, free = held + taken, free - taken
        free *= math.exp(-10 / 190)
        held -= 14.0 * 10 / 3600
        say(seconds, "porch/1/weight", round(dry + held + free + dice.gauss(0, 0.4), 1))
        if seconds == 120:
            say(seconds + 3, command, "record-dry")
        if seconds == 600:
            say(seconds + 3, command, "record-capacity")


# ---- the picture

WIDTH, HEIGHT = 960, 430
LEFT, RIGHT, TOP, BOTTOM = 62, 168, 46, 44
LOW_END, HIGH_END = 0.15, 0.85
INK, FAINT, LINE, ALARM, WATER = "#24302a", "#6b7770", "#2f6f4f", "#b3392c", "#2a6fa8"
FONT = "DejaVu Sans, Verdana, sans-serif"


def x(at):
    """Where a time lies."""
    share = (at - BEGIN) / (END - BEGIN)
    return LEFT + share * (WIDTH - LEFT - RIGHT)


def y(fraction):
    """Where a fraction lies."""
    return TOP + (HIGH_END - fraction) / (HIGH_END - LOW_END) * (HEIGHT - TOP - BOTTOM)


def text(at_x, at_y, words, size=13, fill=INK, anchor="start", weight="normal"):
    words = words.replace("&", "&amp;").replace("<", "&lt;")
    return (
        f'<text x="{at_x:.1f}" y="{at_y:.1f}" font-size="{size}" fill="{fill}" text-anchor="{anchor}" '
        f'font-weight="{weight}">{words}</text>'
    )


def read(lines):
    """States, alerts and events of the flat, as the replay printed them."""
    states, alerts, events = [], [], []
    for line in lines:
        message = json.loads(line)
        at, payload = datetime.fromisoformat(message["time"]), message["payload"]
        match message["topic"].split("/")[1:]:
            case ["flats", "sweet-pea"]:
                states.append((at, payload))
            case ["alerts", kind, "sweet-pea"]:
                alerts.append((at, kind, payload))
            case ["events"]:
                events.append((at, payload))
    return states, alerts, events


def draw():
    """Prints the picture of what comes on standard input."""
    states, alerts, events = read(sys.stdin)
    limits = states[-1][1]
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="{FONT}" role="img">',
        "<title>Four days of a flat: water left, limits, the dry alert, a watering, and a forecast</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fbfaf6"/>',
    ]
    out += ground(limits)
    out += hours()
    out += curve(states)
    out += marks(states, alerts, events)
    out += forecast(states)
    out.append("</svg>")
    print("\n".join(out))


def ground(limits):
    """The band with its limits."""
    right = WIDTH - RIGHT

    def stripe(low, high, fill):
        return f'<rect x="{LEFT}" y="{y(high):.1f}" width="{right - LEFT}" height="{y(low) - y(high):.1f}" fill="{fill}"/>'

    low, water_at, target, high = (limits[key] for key in ("low", "water_at", "target", "high"))
    yield stripe(LOW_END, low, "#f6ddd4")
    yield stripe(low, water_at, "#f7eccb")
    yield stripe(water_at, high, "#e6efdf")
    yield stripe(high, HIGH_END, "#d9e6f0")
    for name, at, word in (
        ("high", high, "nothing waters it above"),
        ("target", target, "a watering lifts it here"),
        ("water_at", water_at, "a watering is due below"),
        ("low", low, "dry: somebody is told"),
    ):
        dash = ' stroke-dasharray="6 4"' if name == "target" else ""
        yield f'<line x1="{LEFT}" x2="{right}" y1="{y(at):.1f}" y2="{y(at):.1f}" stroke="{FAINT}" stroke-width="0.8"{dash}/>'
        yield text(right + 8, y(at) - 1, f"{name}  {at * 100:.0f} %", 13, weight="bold")
        yield text(right + 8, y(at) + 13, word, 11, FAINT)
    for percent in range(20, 81, 10):
        yield text(LEFT - 8, y(percent / 100) + 4, f"{percent} %", 12, FAINT, "end")
    yield text(LEFT, TOP - 18, "Sweet pea: available water left, by weight", 15, weight="bold")


def hours():
    """Days and midnights."""
    day = BEGIN.replace(hour=0)
    while day < END:
        if day > BEGIN:
            yield f'<line x1="{x(day):.1f}" x2="{x(day):.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" stroke="#ffffff" stroke-width="1.5"/>'
        noon = day + timedelta(hours=12)
        if BEGIN < noon < END:
            yield text(x(noon), HEIGHT - BOTTOM + 18, noon.strftime("%a %-d %b"), 12, FAINT, "middle")
        day += timedelta(days=1)
    yield text(LEFT, HEIGHT - 8, "White lines: midnight. Red bars: the alert, from its rise until somebody has watered. Diamond: what the forecast said the night before.", 11, FAINT)


def curve(states):
    """The fraction, as published."""
    points = [(at, state["fraction"]) for at, state in states if state["fraction"] is not None]
    path = " ".join(f"{'M' if n == 0 else 'L'}{x(at):.1f} {y(f):.1f}" for n, (at, f) in enumerate(points))
    yield f'<path d="{path}" fill="none" stroke="{LINE}" stroke-width="2.2" stroke-linejoin="round"/>'


def fraction_at(states, when):
    return [state["fraction"] for at, state in states if at <= when and state["fraction"] is not None][-1]


def marks(states, alerts, events):
    """What somebody did, and the dry alerts from rise to end, with what the first one said."""
    bar = HEIGHT - BOTTOM - 10
    rises = [(at, payload) for at, kind, payload in alerts if kind == "dry" and payload and payload["since"] == at.isoformat()]
    clears = [at for at, kind, payload in alerts if kind == "dry" and not payload]
    for (rise, _), clear in zip(rises, clears):
        yield f'<line x1="{x(rise):.1f}" x2="{x(clear):.1f}" y1="{bar}" y2="{bar}" stroke="{ALARM}" stroke-width="6"/>'
        yield f'<circle cx="{x(rise):.1f}" cy="{y(fraction_at(states, rise)):.1f}" r="4.5" fill="{ALARM}"/>'
    rise, raised = rises[0]
    title, said = raised["title"], raised["text"].split(": ", 1)[1]
    first, rest = said.split(". ", 1)
    for line, words in enumerate((f"{rise:%a %H:%M}: {title}.", f"{first}.", rest)):
        yield text(x(rise) - 9, bar - 36 + 17 * line, words, 12, ALARM, "end")
    for at, event in events:
        if event["event"] == "watered":
            yield f'<circle cx="{x(at):.1f}" cy="{y(fraction_at(states, at)):.1f}" r="4.5" fill="{WATER}"/>'
            yield text(x(at) + 8, y(fraction_at(states, at)) - 9, f"watered, {event['added_ml']:.0f} mL", 12, WATER)
        if event["event"] == "lifted":
            yield text(x(at) + 10, y(fraction_at(states, at)) - 16, "lifted and put back:", 11, FAINT)
            yield text(x(at) + 10, y(fraction_at(states, at)) - 3, "not taken for a loss", 11, FAINT)


def forecast(states):
    """What the state of one evening said of when it would be dry."""
    evening = datetime(2026, 4, 12, 23, 30, tzinfo=ZONE)
    when, state = next((at, state) for at, state in states if at >= evening and state["low_at"])
    early, late = map(datetime.fromisoformat, state["low_between"])
    likely, level = datetime.fromisoformat(state["low_at"]), y(state["low"])
    start = y(state["fraction"])
    label = y(0.62)
    yield f'<path d="M{x(when):.1f} {start - 5:.1f} V{label + 24:.1f}" stroke="{INK}" stroke-width="0.9" fill="none"/>'
    yield f'<circle cx="{x(when):.1f}" cy="{start:.1f}" r="3.5" fill="#ffffff" stroke="{INK}" stroke-width="1.5"/>'
    yield text(x(when) - 4, label, f"Forecast of {when:%a %H:%M}: low", 12)
    yield text(x(when) - 4, label + 16, f"{likely:%a %H:%M} ({early:%H:%M} to {late:%H:%M})", 12)
    yield f'<line x1="{x(early):.1f}" x2="{x(late):.1f}" y1="{level:.1f}" y2="{level:.1f}" stroke="{INK}" stroke-width="9" opacity="0.35"/>'
    yield f'<path d="M{x(likely):.1f} {level - 7:.1f} l4.5 7 l-4.5 7 l-4.5 -7 z" fill="{INK}"/>'


if __name__ == "__main__":
    commands = {"windowsill": windowsill, "first-day": first_day, "draw": draw}
    if len(sys.argv) != 2 or sys.argv[1] not in commands:
        sys.exit(__doc__)
    commands[sys.argv[1]]()
