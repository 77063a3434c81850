"""DEFLATE (RFC 1951) of bytes that hold no repeats: Huffman codes only, compiled.

Why not the library's: as part of the PNG writer this is eight times as fast as the library's writer, at 4 % less size
(``benchmarks/files.py``), and saving the picture is what a person waits for last.

The low bytes of a noisy picture never repeat, so a search for matches costs time and wins nothing: on a noisy
16-bit picture the result is as small as zlib's at any level, at four times its speed on one core. Data with long runs
of one byte (black borders, flat areas) go to zlib, which is quick there.
"""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["BLOCK_END", "adler32_joined", "entropy", "packed", "packed_by_codes", "run_share"]

Bytes = NDArray[np.uint8]

#: An empty stored block that is the last one (RFC 1951, 3.2.4).
BLOCK_END = b"\x01\x00\x00\xff\xff"
_BLOCK = 1 << 17
_LITERALS = 257  # 256 bytes and the end of the block
_LONGEST = 15
_ADLER = 65521
#: Share of bytes that end four equal ones from which it is worth trying whether runs shrink the data.
_RUNS = 0.2
_TRIED = 1 << 16


def packed(data: Bytes) -> bytes:
    """Pack bytes into whole blocks, none of them marked as last, ending at a byte's edge.

    Parts packed apart may be put one after the other; `BLOCK_END` then closes the stream.

    Parameters
    ----------
    data : ndarray, shape (N,), uint8

    Returns
    -------
    bytes
    """
    if data.size == 0:
        return b""
    if run_share(data) > _RUNS:
        middle = data[max(0, (data.size - _TRIED) // 2) :][:_TRIED]
        if len(_packed_by_runs(middle)) < len(packed_by_codes(middle)):
            return _packed_by_runs(data)
    return packed_by_codes(data)


def _packed_by_runs(data: Bytes) -> bytes:
    packer = zlib.compressobj(1, zlib.DEFLATED, -15, 9, zlib.Z_RLE)
    return packer.compress(data.data) + packer.flush(zlib.Z_FULL_FLUSH)


def packed_by_codes(data: Bytes) -> bytes:
    """Bytes as DEFLATE blocks of Huffman codes alone, without looking for repetitions.

    Parameters
    ----------
    data : ndarray, shape (N,), uint8

    Returns
    -------
    bytes
    """
    # Huffman's codes are never longer than plain bytes, but for heads and the limit of 15 bits.
    out = np.empty(data.size // 4 + data.size // 64 + 256, np.uint32)
    size = _pack(data, out)
    if size < 0:
        out = np.empty(data.size // 2 + data.size // 64 + 256, np.uint32)
        size = _pack(data, out)
    return out.astype("<u4", copy=False).view(np.uint8)[:size].tobytes()


def adler32_joined(first: int, second: int, length: int) -> int:
    """Adler-32 of two parts, from the sums of each and the second's length (RFC 1950, section 8).

    Parameters
    ----------
    first, second : int
    length : int
        In bytes.

    Returns
    -------
    int
    """
    a1, b1 = first & 0xFFFF, first >> 16
    a2, b2 = second & 0xFFFF, second >> 16
    a = (a1 + a2 - 1) % _ADLER
    b = (b1 + b2 + length * (a1 - 1)) % _ADLER
    return (b << 16) | a


def entropy(data: Bytes) -> float:
    """Shannon's entropy of the byte values, in bits a byte.

    Parameters
    ----------
    data : ndarray, shape (N,), uint8

    Returns
    -------
    float
    """
    share = _counts(data)[:256] / data.size
    share = share[share > 0]
    return float(-(share * np.log2(share)).sum())


@kernel
def run_share(data: Bytes) -> float:
    """Share of bytes equal to the three before them, from one byte in 13 (no number of bytes a pixel divides it).

    Parameters
    ----------
    data : ndarray, shape (N,), uint8

    Returns
    -------
    float
        0..1.
    """
    runs = 0
    for i in range(3, data.size, 13):
        runs += (data[i] == data[i - 1]) & (data[i] == data[i - 2]) & (data[i] == data[i - 3])
    return float(13 * runs / data.size)


@kernel
def _counts(data: Bytes) -> Any:
    """How often each byte value occurs; the last entry counts one end of block."""
    # Four tables: equal bytes in a row would otherwise wait for each other.
    table = np.zeros((4, _LITERALS), np.int64)
    quarter = data.size // 4 * 4
    for i in range(0, quarter, 4):
        table[0, data[i]] += 1
        table[1, data[i + 1]] += 1
        table[2, data[i + 2]] += 1
        table[3, data[i + 3]] += 1
    for i in range(quarter, data.size):
        table[0, data[i]] += 1
    total = table[0] + table[1] + table[2] + table[3]
    total[_LITERALS - 1] = 1
    return total


@kernel
def code_lengths(counts: Any) -> Any:
    """Huffman code lengths of at most 15 bits (two sorted queues; too long codes: flatten the counts and repeat)."""
    weights = counts.copy()
    while True:
        lengths = _free_lengths(weights)
        if lengths.max() <= _LONGEST:
            return lengths
        for i in range(weights.size):
            if weights[i] > 0:
                weights[i] = (weights[i] + 1) // 2


@kernel
def _free_lengths(weights: Any) -> Any:
    n = weights.size
    order = np.argsort(weights, kind="mergesort")
    first = 0
    while weights[order[first]] == 0:
        first += 1
    leaves = n - first
    lengths = np.zeros(n, np.int64)
    if leaves == 1:
        lengths[order[first]] = 1
        return lengths
    # Nodes: leaves by weight, then joints in the order they are made, which is by weight too.
    weight = np.zeros(2 * leaves - 1, np.int64)
    parent = np.zeros(2 * leaves - 1, np.int64)
    for i in range(leaves):
        weight[i] = weights[order[first + i]]
    leaf, joint = 0, leaves
    for made in range(leaves, 2 * leaves - 1):
        for _ in range(2):
            if leaf < leaves and (joint >= made or weight[leaf] <= weight[joint]):
                taken = leaf
                leaf += 1
            else:
                taken = joint
                joint += 1
            weight[made] += weight[taken]
            parent[taken] = made
    depth = np.zeros(2 * leaves - 1, np.int64)
    for i in range(2 * leaves - 3, -1, -1):
        depth[i] = depth[parent[i]] + 1
    for i in range(leaves):
        lengths[order[first + i]] = depth[i]
    return lengths


@kernel
def _codes(lengths: Any) -> Any:
    """Canonical codes (RFC 1951, 3.2.2), bits reversed as they are written, length in the low 8 bits."""
    count = np.zeros(_LONGEST + 1, np.int64)
    for length in lengths:
        if length > 0:
            count[length] += 1
    following = np.zeros(_LONGEST + 2, np.int64)
    for bits in range(1, _LONGEST + 1):
        following[bits + 1] = (following[bits] + count[bits]) << 1
    codes = np.zeros(lengths.size, np.uint64)
    for i in range(lengths.size):
        n = lengths[i]
        if n > 0:
            code, turned = following[n], 0
            following[n] += 1
            for _ in range(n):
                turned = (turned << 1) | (code & 1)
                code >>= 1
            codes[i] = np.uint64((turned << 8) | n)
    return codes


@kernel
def _put(out: Any, state: Any, value: int, bits: int) -> None:
    """Append ``bits`` bits; ``state``: words written, bits waiting, how many."""
    state[1] |= np.uint64(value) << state[2]
    state[2] += np.uint64(bits)
    if state[2] >= np.uint64(32):
        out[state[0]] = np.uint32(state[1] & np.uint64(0xFFFFFFFF))
        state[0] += np.uint64(1)
        state[1] >>= np.uint64(32)
        state[2] -= np.uint64(32)


@kernel
def _put_head(out: Any, state: Any, lengths: Any) -> None:
    """The head of a block with codes of its own (RFC 1951, 3.2.7): every code length in 4 bits."""
    _put(out, state, 0b100, 3)  # not the last, own codes
    _put(out, state, _LITERALS - 257, 5)
    _put(out, state, 1, 5)  # two distance codes, the least that is complete
    _put(out, state, 19 - 4, 4)
    for i in range(19):  # lengths 0 to 15 have 4 bits, the three repeats (first in the order) none
        _put(out, state, 0 if i < 3 else 4, 3)
    for i in range(lengths.size + 2):
        value = lengths[i] if i < lengths.size else 1
        turned = ((value & 1) << 3) | ((value & 2) << 1) | ((value & 4) >> 1) | ((value & 8) >> 3)
        _put(out, state, turned, 4)


@kernel
def _pack(data: Bytes, out: Any) -> int:
    """Pack ``data`` into ``out`` (uint32 words, low bits first) and return the number of bytes; -1: no room."""
    state = np.zeros(3, np.uint64)
    for start in range(0, data.size, _BLOCK):
        part = data[start : start + _BLOCK]
        counts = _counts(part)
        lengths = code_lengths(counts)
        if int(state[0]) + ((counts * lengths).sum() >> 5) + 128 > out.size:
            return -1
        codes = _codes(lengths)
        _put_head(out, state, lengths)
        at, waiting, held = np.int64(state[0]), state[1], state[2]
        pairs = part.size // 2 * 2
        for i in range(0, pairs, 2):  # two codes of 15 bits fit beside 31 waiting ones
            one, two = codes[part[i]], codes[part[i + 1]]
            bits = one & np.uint64(255)
            waiting |= ((one >> np.uint64(8)) | ((two >> np.uint64(8)) << bits)) << held
            held += bits + (two & np.uint64(255))
            # A word is stored every time and kept when it is full: a branch here would be mispredicted half the time.
            out[at] = np.uint32(waiting & np.uint64(0xFFFFFFFF))
            full = held & np.uint64(32)
            at += np.int64(full >> np.uint64(5))
            waiting >>= full
            held &= np.uint64(31)
        state[0], state[1], state[2] = np.uint64(at), waiting, held
        for i in range(pairs, part.size):
            _put(out, state, codes[part[i]] >> np.uint64(8), codes[part[i]] & np.uint64(255))
        end = codes[_LITERALS - 1]
        _put(out, state, end >> np.uint64(8), end & np.uint64(255))
    # An empty stored block brings the stream to a byte's edge.
    _put(out, state, 0, 3)
    _put(out, state, 0, (8 - int(state[2]) % 8) % 8)
    _put(out, state, 0, 16)
    _put(out, state, 0xFFFF, 16)
    size = 4 * int(state[0]) + int(state[2]) // 8
    _put(out, state, 0, 31)
    return size
