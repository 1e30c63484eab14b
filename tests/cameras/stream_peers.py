"""Network cameras in software: an HTTP server of motion JPEG, and an RTSP server of RTP/JPEG."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

import cv2
import numpy as np

Show = Callable[[int], np.ndarray]
"""The picture of a frame number, uint8 (rows, columns)."""


def numbered(number: int, size: tuple[int, int] = (320, 240)) -> np.ndarray:
    """A picture that tells its number: its left half's grey level is 40 + 8 x (number mod 20)."""
    image = np.full((size[1], size[0]), 128, np.uint8)
    image[:, : size[0] // 2] = 40 + 8 * (number % 20)
    return image


def number_in(image: np.ndarray) -> int:
    """The number (mod 20) that a picture of `numbered` tells."""
    return round((float(image[:, : image.shape[1] // 4].mean()) - 40) / 8)


@dataclass
class Peer:
    """A camera on the network. `stall`: it stops sending, the line stays open."""

    show: Show = numbered
    rate_hz: float = 20.0
    port: int = 0
    frames: int = 0
    clients: int = 0
    stalled: threading.Event = field(default_factory=threading.Event)
    over: threading.Event = field(default_factory=threading.Event)
    lines: list[socket.socket] = field(default_factory=list)

    def jpegs(self, quality: int = 90) -> Iterator[bytes]:
        """One JPEG after the other, at the camera's rate."""
        due = time.monotonic()
        while not self.over.is_set():
            if self.stalled.is_set():
                time.sleep(0.02)
                due = time.monotonic()
                continue
            self.frames += 1
            image = cv2.cvtColor(self.show(self.frames), cv2.COLOR_GRAY2BGR)
            done, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
            assert done
            yield data.tobytes()
            due += 1.0 / self.rate_hz
            time.sleep(max(0.0, due - time.monotonic()))


@contextmanager
def listening(peer: Peer, serve: Callable[[Peer, socket.socket], None]) -> Iterator[Peer]:
    """`serve(peer, line)` for every client of a port on loopback, each in a thread."""
    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", peer.port))
        peer.port = listener.getsockname()[1]
        listener.listen(4)
        listener.settimeout(0.1)
        threads: list[threading.Thread] = []

        def accept() -> None:
            while not peer.over.is_set():
                with suppress(OSError):
                    line, _ = listener.accept()
                    peer.clients += 1
                    peer.lines.append(line)
                    thread = threading.Thread(target=guarded, args=(line,), daemon=True)
                    threads.append(thread)
                    thread.start()

        def guarded(line: socket.socket) -> None:
            with line, suppress(OSError):
                serve(peer, line)

        accepting = threading.Thread(target=accept, daemon=True)
        accepting.start()
        try:
            yield peer
        finally:
            peer.over.set()
            for line in peer.lines:
                with suppress(OSError):
                    line.shutdown(socket.SHUT_RDWR)
            accepting.join()
            for thread in threads:
                thread.join(2.0)


def mjpeg(peer: Peer, line: socket.socket) -> None:
    """An HTTP answer of multipart/x-mixed-replace that never ends."""
    asked = b""
    while b"\r\n\r\n" not in asked:
        part = line.recv(4096)
        if not part:
            return
        asked += part
    line.sendall(b"HTTP/1.0 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=picture\r\n\r\n")
    for data in peer.jpegs():
        line.sendall(
            b"--picture\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n%b\r\n" % (len(data), data)
        )


def rtsp(peer: Peer, line: socket.socket) -> None:
    """RTSP (RFC 2326) with RTP/JPEG (RFC 2435) interleaved in the same connection."""
    waiting, playing = b"", None
    lock = threading.Lock()
    while True:
        while b"\r\n\r\n" not in waiting:
            part = line.recv(4096)
            if not part:
                return
            waiting += part
        head, _, waiting = waiting.partition(b"\r\n\r\n")
        if head.startswith(b"$"):
            continue
        method, url, _ = head.decode().split("\r\n")[0].split(" ")
        fields = dict(h.split(": ", 1) for h in head.decode().split("\r\n")[1:] if ": " in h)
        extra, body = "", ""
        if method == "OPTIONS":
            extra = "Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN\r\n"
        elif method == "DESCRIBE":
            body = (
                "v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=camera\r\nt=0 0\r\n"
                "m=video 0 RTP/AVP 26\r\na=control:track1\r\n"
            )
            extra = f"Content-Type: application/sdp\r\nContent-Base: {url}/\r\n"
        elif method == "SETUP":
            extra = "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\nSession: 7\r\n"
        elif method == "PLAY":
            extra = "Session: 7\r\n"
            playing = threading.Thread(target=_play, args=(peer, line, lock), daemon=True)
        length = f"Content-Length: {len(body)}\r\n" if body else ""
        answer = f"RTSP/1.0 200 OK\r\nCSeq: {fields.get('CSeq', '0')}\r\n{extra}{length}\r\n{body}"
        with lock:
            line.sendall(answer.encode())
        if method == "PLAY" and playing is not None:
            playing.start()
        if method == "TEARDOWN":
            return


def _play(peer: Peer, line: socket.socket, lock: threading.Lock) -> None:
    sequence, began = 0, time.monotonic()
    with suppress(OSError):
        for data in peer.jpegs(quality=75):
            stamp = int(90_000 * (time.monotonic() - began)) & 0xFFFFFFFF
            for packet in rtp_jpeg(data, stamp, sequence):
                with lock:
                    line.sendall(b"$\0" + struct.pack(">H", len(packet)) + packet)
                sequence = (sequence + 1) & 0xFFFF


def rtp_jpeg(data: bytes, stamp: int, sequence: int) -> list[bytes]:
    """A JPEG (standard Huffman tables) as RTP packets, its quantisation tables in the first."""
    tables, sampling, scan, width, height = b"", 1, b"", 0, 0
    at = 2
    while True:
        marker, length = data[at + 1], struct.unpack(">H", data[at + 2 : at + 4])[0]
        segment = data[at + 4 : at + 2 + length]
        if marker == 0xDB:
            while segment:
                tables, segment = tables + segment[1:65], segment[65:]
        elif marker == 0xC0:
            height, width = struct.unpack(">HH", segment[1:5])
            sampling = 1 if segment[7] == 0x22 else 0
        elif marker == 0xDA:
            scan = data[at + 2 + length : -2]
            break
        at += 2 + length
    packets, offset = [], 0
    while offset < len(scan):
        head = struct.pack(">B", 0) + offset.to_bytes(3, "big")
        head += struct.pack(">BBBB", sampling, 255, width // 8, height // 8)
        if offset == 0:
            head += struct.pack(">BBH", 0, 0, len(tables)) + tables
        part = scan[offset : offset + 1300]
        last = offset + len(part) >= len(scan)
        rtp = struct.pack(">BBHII", 0x80, 26 | (0x80 if last else 0), sequence, stamp, 7)
        packets.append(rtp + head + part)
        sequence = (sequence + 1) & 0xFFFF
        offset += len(part)
    return packets
