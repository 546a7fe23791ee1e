import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from scanproc.errors import InputError
from scanproc.files.hashing import file_hash
from scanproc.files.json_file import json_text, read_json, write_json


def test_values_become_what_json_can_hold(tmp_path):
    value = {
        "nan": float("nan"),
        "array": np.array([1.5, np.inf]),
        "count": np.int64(3),
        "path": Path("a/b"),
        "ok": np.bool_(True),
        "tuple": (1, None, "é"),
    }
    write_json(tmp_path / "a.json", value)
    strict = json.loads((tmp_path / "a.json").read_text("utf-8"), parse_constant=pytest.fail)
    assert strict == {
        "nan": None,
        "array": [1.5, None],
        "count": 3,
        "path": "a/b",
        "ok": True,
        "tuple": [1, None, "é"],
    }
    assert read_json(tmp_path / "a.json") == strict


def test_text_keeps_the_order_and_ends_in_a_line_feed():
    assert json_text({"b": 1, "a": 2}) == '{\n  "b": 1,\n  "a": 2\n}\n'


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (b"{", "is not a JSON document"),
        (b"\xff\xfe", "is not a JSON document"),
        (None, "cannot be read, No such"),
    ],
)
def test_bad_json_is_one_line(tmp_path, words, message):
    path = tmp_path / "a.json"
    if words is not None:
        path.write_bytes(words)
    with pytest.raises(InputError, match=message) as caught:
        read_json(path)
    assert caught.value.path == path


def test_hash_of_a_published_message(tmp_path):
    # FIPS 180-2, appendix B.1 (one block, "abc") and B.3 (a million times "a").
    (tmp_path / "abc").write_bytes(b"abc")
    (tmp_path / "million").write_bytes(b"a" * 1_000_000)
    assert file_hash(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (
        file_hash(tmp_path / "million") == "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    )
    assert file_hash(tmp_path / "abc") == hashlib.sha256(b"abc").hexdigest()


def test_hash_of_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(InputError, match="absent: cannot be read, No such file or directory: check the path"):
        file_hash(tmp_path / "absent")
