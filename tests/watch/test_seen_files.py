"""What was taken before is told from what is new, however much there is of it."""

import random
import sys
from array import array

from sentinel.chain.intake.seen_files import Numbers, SeenFiles


def test_numbers_are_a_set() -> None:
    chance = random.Random(4)
    numbers, reference = Numbers(), set[int]()
    for _ in range(20_000):
        one = chance.choice([0, 1, 2**64 - 1, chance.randrange(2**64), chance.randrange(4000)])
        if chance.random() < 0.8:
            numbers.add(one)
            reference.add(one)
        else:
            numbers.discard(one)
            reference.discard(one)
    assert len(numbers) == len(reference)
    assert all(one in numbers for one in reference)
    assert not any(one in numbers for one in range(4000) if one not in reference)
    other = numbers.copy()
    other.add(5000)
    other.discard(next(iter(reference)))
    assert 5000 not in numbers
    assert next(iter(reference)) in numbers


def test_a_month_of_frames_is_known_in_half_a_megabyte() -> None:
    known = SeenFiles()
    for number in range(30_000):
        known.add(f"{number:06d}.jpg", 5_000_000, number * 10**9, f"{number:064x}"[::-1])
    held = [known._files._sorted, known._contents._sorted]
    assert sum(sys.getsizeof(one) for one in held if isinstance(one, array)) < 600_000
    assert len(known) == 30_000
    assert known.holds_file("000007.jpg", 5_000_000, 7 * 10**9)
    assert not known.holds_file("000007.jpg", 5_000_001, 7 * 10**9)
    assert known.holds_content(f"{12:064x}"[::-1])
    known.forget("000007.jpg", 5_000_000, 7 * 10**9, None)
    assert not known.holds_file("000007.jpg", 5_000_000, 7 * 10**9)
