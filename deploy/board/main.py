# A fridge probe: an ESP32 board with a DS18B20 sensor, running MicroPython. Reads once a minute, posts what it has, and keeps what it could
# not post in a file, so that neither a lost network nor a power cut loses a reading. Change the settings and copy it to the board.

import gc
import json
import os
import time

import machine
import network
import ntptime
import onewire
import ds18x20
import urequests

SSID, PASSPHRASE = "the-farm", "its passphrase"
# With https where the service has a name and a certificate: the token below travels with every request.
URL = "http://192.0.2.10:8080/api/readings"
TOKEN = "the token that Gillbook showed once"
PROBE = "p1"
DATA_PIN = 4
EVERY_S = 60
PACK = 60
BACKLOG = "backlog.txt"
# The backlog as it will be, written beside it and then renamed over it: a power cut leaves the one or the other, whole.
NEW_BACKLOG = "backlog.new"

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
    # On a line of its own, also after one that a power cut left unfinished.
    with open(BACKLOG, "a") as f:
        f.write("\n" + json.dumps(record) + "\n")


def replace(new, old):
    try:
        os.rename(new, old)
    except OSError:
        # A FAT file system renames over nothing that is there.
        os.remove(old)
        os.rename(new, old)


def recover():
    # The power went between the two steps of replacing: what is left is whole.
    names = os.listdir()
    if NEW_BACKLOG in names and BACKLOG not in names:
        os.rename(NEW_BACKLOG, BACKLOG)


def packs(lines):
    """Readings of the backlog in packs, one pack in memory at a time. A line that is no reading is left out."""
    pack = []
    for line in lines:
        try:
            record = json.loads(line)
        except ValueError:
            continue
        if isinstance(record, dict):
            pack.append(record)
        if len(pack) == PACK:
            yield pack
            pack = []
    if pack:
        yield pack


def post(pack):
    """Posts a pack and gives what is to be sent again, or None where nothing got through."""
    headers = {"Authorization": "Bearer " + TOKEN, "Content-Type": "application/senml+json"}
    try:
        answer = urequests.post(URL, data=json.dumps(pack), headers=headers, timeout=20)
    except OSError as trouble:
        print(trouble)
        return None
    try:
        if answer.status_code != 200:
            print(answer.status_code, answer.text)
            return None
        # A 200 answers record by record. What is refused for good is dropped; what may be taken later is kept.
        refused = answer.json()["refused"]
    finally:
        answer.close()
    for told in refused:
        print(told["reason"])
    return [pack[told["index"]] for told in refused if told["remedy"] == "retry"]


def send():
    try:
        backlog = open(BACKLOG)
    except OSError:
        return
    sending = True
    with backlog, open(NEW_BACKLOG, "w") as new:
        for pack in packs(backlog):
            left = post(pack) if sending else pack
            # Where nothing got through, and where all is to be sent again, such as before the probe is added: try again next time.
            sending = sending and left is not None and len(left) < len(pack)
            for record in pack if left is None else left:
                new.write(json.dumps(record) + "\n")
            watchdog.feed()
            gc.collect()
    replace(NEW_BACKLOG, BACKLOG)


def main():
    recover()
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


if __name__ == "__main__":
    main()
