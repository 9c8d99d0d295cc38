import stat
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import make_url

from service.record.errors import NoSealingKey
from service.record.sealing import Sealer, commitment, sealer_for

SECRET = "0123456789abcdef" * 4


def test_what_is_sealed_opens_under_the_same_secret_and_about_the_same_thing():
    sealed = Sealer(SECRET).seal(b"the third glass", "trial 1")
    assert b"glass" not in sealed
    assert Sealer(SECRET).open(sealed, "trial 1") == b"the third glass"


def test_sealing_twice_never_gives_the_same_bytes():
    sealer = Sealer(SECRET)
    assert sealer.seal(b"x", "trial 1") != sealer.seal(b"x", "trial 1")


@pytest.mark.parametrize(
    ("secret", "about", "changed"),
    [(SECRET[::-1], "trial 1", 0), (SECRET, "trial 2", 0), (SECRET, "trial 1", 1)],
    ids=["another secret", "another trial", "a changed byte"],
)
def test_anything_else_does_not_open_it(secret, about, changed):
    sealed = bytearray(Sealer(SECRET).seal(b"the third glass", "trial 1"))
    sealed[-1] ^= changed
    with pytest.raises(NoSealingKey, match="another key"):
        Sealer(secret).open(bytes(sealed), about)


def test_postgres_has_no_file_to_keep_a_secret_in():
    with pytest.raises(NoSealingKey, match="MANYBATCH_SEALING_KEY"):
        sealer_for(make_url("postgresql+psycopg://somewhere/db")).seal(b"x", "trial 1")


def test_a_secret_that_could_be_guessed_is_refused():
    with pytest.raises(NoSealingKey, match="shorter than 16"):
        Sealer("password").seal(b"x", "trial 1")


def test_the_file_beside_the_database_is_its_owners_alone(tmp_path):
    url = make_url(f"sqlite:///{tmp_path / 'record.db'}")
    sealed = sealer_for(url).seal(b"x", "trial 1")
    file = tmp_path / "record.db.sealing-key"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert len(bytes.fromhex(file.read_text().strip())) == 32
    assert sealer_for(url).open(sealed, "trial 1") == b"x"
    # The same secret in the setting opens it too: a record that moves to another database takes it along.
    assert sealer_for(url, file.read_text().strip()).open(sealed, "trial 1") == b"x"
    assert [each.name for each in tmp_path.iterdir()] == ["record.db.sealing-key"]


def test_of_several_that_start_together_all_use_one_file(tmp_path):
    url = make_url(f"sqlite:///{tmp_path / 'record.db'}")
    with ThreadPoolExecutor(8) as pool:
        sealed = list(pool.map(lambda number: sealer_for(url).seal(b"%d" % number, "trial"), range(16)))
    assert [sealer_for(url).open(each, "trial") for each in sealed] == [b"%d" % number for number in range(16)]
    assert len(list(tmp_path.iterdir())) == 1


def test_a_lost_file_is_not_made_anew_to_open_what_it_closed(tmp_path):
    url = make_url(f"sqlite:///{tmp_path / 'record.db'}")
    sealed = sealer_for(url).seal(b"x", "trial 1")
    (tmp_path / "record.db.sealing-key").unlink()
    with pytest.raises(NoSealingKey, match="is gone"):
        sealer_for(url).open(sealed, "trial 1")
    assert list(tmp_path.iterdir()) == []


def test_a_commitment_is_the_hash_of_salt_and_canonical_key():
    # (head -c 32 /dev/zero; printf '{"a":1,"b":[2]}') | sha256sum
    assert commitment(bytes(32), {"b": [2], "a": 1}) == (
        "fc47c6ec7c0c09804c21f0b73bb8234bc3e8fd9969c6c60e19bf552751922108"
    )
