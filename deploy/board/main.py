# A fridge probe: an ESP32 board with a DS18B20 sensor, running MicroPython. Reads once a minute, posts what it has, and keeps what it could
# not post in a file, so that neither a lost network nor a power cut loses a reading. Change the settings and copy it to the board.

import gc
import json
import time

import machine
import network
import ntptime
import onewire
import ds18x20
import urequests

SSID, PASSPHRASE = "the-farm", "its passphrase"
URL = "http://192.0.2.10:8080/api/readings"
TOKEN = "the token that Gillbook showed once"
PROBE = "p1"
DATA_PIN = 4
EVERY_S = 60
PACK = 60
BACKLOG = "backlog.txt"

# The ESP32 port counts seconds from 2000-01-01, Unix from 1970-01-01.
UNIX_OFFSET = 946684800 if time.gmtime(0)[0] == 2000 else 0

sensor = ds18x20.DS18X20(onewire.OneWire(machine.Pin(DATA_PIN)))
wlan = network.WLAN(network.STA_IF)
watchdog = machine.WDT(timeout=120_000)


def connected():
    wlan.active(True)
    if not wlan.isconnected():
        wlan.connect(SSID, PASSPHRASE)
        for _ in range(20):
            if wlan.isconnected():
                break
            time.sleep(1)
            watchdog.feed()
    return wlan.isconnected()


def clock_is_set():
    # Without the network the board begins in 2000: better no reading than one with a time that is not true.
    return time.gmtime()[0] >= 2026


def read():
    roms = sensor.scan()
    if not roms:
        return None
    sensor.convert_temp()
    time.sleep_ms(750)
    return sensor.read_temp(roms[0])


def remember(record):
    with open(BACKLOG, "a") as f:
        f.write(json.dumps(record) + "\n")


def backlog():
    try:
        with open(BACKLOG) as f:
            return f.readlines()
    except OSError:
        return []


def post(lines):
    body = "[" + ",".join(line.strip() for line in lines) + "]"
    headers = {"Authorization": "Bearer " + TOKEN, "Content-Type": "application/senml+json"}
    answer = urequests.post(URL, data=body, headers=headers, timeout=20)
    try:
        # 200 answers record by record; what was refused is in there and would be refused again. Anything else: keep and try later.
        return answer.status_code == 200
    finally:
        answer.close()


def send():
    lines = backlog()
    while lines:
        if not post(lines[:PACK]):
            return
        lines = lines[PACK:]
        # Written anew after each pack: sent twice after a power cut, a reading still counts once.
        with open(BACKLOG, "w") as f:
            for line in lines:
                f.write(line)
        watchdog.feed()
        gc.collect()


synchronised = 0
while True:
    began = time.ticks_ms()
    watchdog.feed()
    try:
        online = connected()
        if online and time.time() - synchronised > 6 * 3600:
            ntptime.settime()
            synchronised = time.time()
        if clock_is_set():
            celsius = read()
            record = {"n": PROBE, "u": "Cel", "t": time.time() + UNIX_OFFSET}
            # A probe that does not answer is told as -127, which Gillbook keeps as a fault and not as a temperature.
            record["v"] = -127 if celsius is None else celsius
            remember(record)
        if online:
            send()
    except Exception as trouble:
        print(trouble)
    time.sleep_ms(max(0, EVERY_S * 1000 - time.ticks_diff(time.ticks_ms(), began)))
