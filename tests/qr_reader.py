"""A second reader of QR codes, from ISO/IEC 18004 alone: no search, no error correction, versions 1 to 8, level M."""

from __future__ import annotations

import itertools

import numpy as np

__all__ = ["read_modules"]

ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"  # table 5
DATA_BLOCKS_M = {1: [16], 2: [28], 3: [44], 4: [32] * 2, 5: [43] * 2, 6: [27] * 4, 7: [31] * 4, 8: [38] * 2 + [39] * 2}
ALIGNMENT = {
    1: [],
    2: [6, 18],
    3: [6, 22],
    4: [6, 26],
    5: [6, 30],
    6: [6, 34],
    7: [6, 22, 38],
    8: [6, 24, 42],
}  # annex E
FORMAT_MASK = 0b101010000010010  # clause 7.9.1
LEVEL_M = 0b00
MASKS = (  # table 10, i is the row and j the column
    lambda i, j: (i + j) % 2,
    lambda i, j: i % 2,
    lambda i, j: j % 3,
    lambda i, j: (i + j) % 3,
    lambda i, j: (i // 2 + j // 3) % 2,
    lambda i, j: (i * j) % 2 + (i * j) % 3,
    lambda i, j: ((i * j) % 2 + (i * j) % 3) % 2,
    lambda i, j: ((i + j) % 2 + (i * j) % 3) % 2,
)


def read_modules(dark: np.ndarray) -> str:
    """Return the text of a symbol given as modules, True for dark, without quiet zone."""
    size = len(dark)
    version = (size - 17) // 4
    assert dark.shape == (size, size)
    assert size == 17 + 4 * version
    finder = np.pad(np.pad(np.ones((3, 3), bool), 1), 1, constant_values=True)
    for corner in (dark[:7, :7], dark[:7, -7:], dark[-7:, :7]):
        assert (corner == finder).all()
    # format information beside the upper left finder, most significant bit first
    cells = [(8, j) for j in (0, 1, 2, 3, 4, 5, 7, 8)] + [(i, 8) for i in (7, 5, 4, 3, 2, 1, 0)]
    information = int("".join(str(int(dark[cell])) for cell in cells), 2) ^ FORMAT_MASK
    assert information >> 13 == LEVEL_M
    hidden = MASKS[information >> 10 & 7]
    bits = [bool(dark[i, j]) ^ (hidden(i, j) == 0) for i, j in _course(size, _reserved(size, version))]
    codewords = [int("".join(map(str, map(int, bits[k : k + 8]))), 2) for k in range(0, len(bits) - 7, 8)]
    return _text("".join(f"{word:08b}" for word in _data(codewords, DATA_BLOCKS_M[version])))


def _reserved(size: int, version: int) -> np.ndarray:
    """Return which modules hold no data."""
    taken = np.zeros((size, size), bool)
    taken[:9, :9] = taken[:9, -8:] = taken[-8:, :9] = True
    taken[6] = taken[:, 6] = True
    for i, j in itertools.product(ALIGNMENT[version], repeat=2):
        if (i, j) not in ((6, 6), (6, size - 7), (size - 7, 6)):
            taken[i - 2 : i + 3, j - 2 : j + 3] = True
    if version >= 7:
        taken[:6, -11:] = taken[-11:, :6] = True
    return taken


def _course(size: int, taken: np.ndarray) -> list[tuple[int, int]]:
    """Return the data modules in their order: columns by twos from the right, up and down in turn (7.7.3)."""
    course = []
    columns = [j for j in range(size - 1, -1, -1) if j != 6]
    for turn, pair in enumerate(zip(columns[::2], columns[1::2], strict=True)):
        rows = range(size) if turn % 2 else range(size - 1, -1, -1)
        course += [(i, j) for i in rows for j in pair if not taken[i, j]]
    return course


def _data(codewords: list[int], sizes: list[int]) -> list[int]:
    """Undo the interleaving of blocks (7.6); what corrects errors comes after and is left."""
    blocks: list[list[int]] = [[] for _ in sizes]
    words = iter(codewords)
    for position in range(max(sizes)):
        for block, size in zip(blocks, sizes, strict=True):
            if position < size:
                block.append(next(words))
    return [word for block in blocks for word in block]


def _text(bits: str) -> str:
    text, at = "", 0
    while int(bits[at : at + 4] or "0", 2):
        mode, count_bits = bits[at : at + 4], {"0001": 10, "0010": 9, "0100": 8}[bits[at : at + 4]]
        count, at = int(bits[at + 4 : at + 4 + count_bits], 2), at + 4 + count_bits
        while count:
            group = min(count, {"0001": 3, "0010": 2, "0100": 1}[mode])
            width = {"0001": (0, 4, 7, 10), "0010": (0, 6, 11), "0100": (0, 8)}[mode][group]
            value = int(bits[at : at + width], 2)
            if mode == "0001":
                text += f"{value:0{group}d}"
            elif mode == "0100":
                text += chr(value)
            else:
                text += ALPHANUMERIC[value // 45] * (group == 2) + ALPHANUMERIC[value % 45]
            at, count = at + width, count - group
    return text
