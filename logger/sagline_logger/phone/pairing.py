"""Which telephones may change or take something: a secret shown once, cookies kept as hashes."""

import hashlib
import hmac
import json
import os
import secrets
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from ..format import SaglineError

_LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # Crockford's base 32: nothing that reads alike
_ALIKE = str.maketrans("OIL", "011")
_GROUPS, _GROUP = 4, 4  # 80 bits
MOST_PHONES = 20
"""Telephones paired at one time; the one paired first gives way."""
_FIRST_WAIT, _LAST_WAIT = 1.0, 60.0  # s after a wrong secret, doubled each time


@dataclass
class _Tries:
    wrong: int = 0
    until: float = 0.0


@dataclass
class Pairing:
    """The secret and the cookies of one log directory; for any thread.

    Only salted hashes are kept, in a file that nobody else may read.  :attr:`shown` is the secret
    where it was made just now, to be shown once; empty where it is known from before.
    """

    path: Path
    shown: str = ""
    _salt: str = ""
    _secret: str = ""
    _tokens: list[str] = field(default_factory=list)
    _tries: dict[str, _Tries] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def open(cls, path: Path, again: bool = False) -> "Pairing":
        """Read the file, or make a secret and the file; ``again`` makes a new secret and forgets
        every telephone.

        Raises:
            SaglineError: the file cannot be read or written.
        """
        pairing = cls(path)
        try:
            kept = json.loads(path.read_text(encoding="ascii"))
            salt, secret, tokens = kept["salt"], kept["secret"], kept["phones"]
            if not all(isinstance(one, str) for one in (salt, secret, *tokens)):
                raise TypeError
            pairing._salt, pairing._secret, pairing._tokens = salt, secret, tokens
        except FileNotFoundError:
            again = True
        except (ValueError, KeyError, TypeError):
            again = True  # half written when the power went: all pair anew
        except OSError as problem:
            raise SaglineError(
                f"cannot read who is paired ({problem.strerror})",
                where=str(path),
                remedy="let this user read and write it",
            ) from None
        if again:
            pairing.renew()
        return pairing

    def renew(self) -> None:
        """Make a new secret and forget every telephone.

        Raises:
            SaglineError: the file cannot be written.
        """
        letters = "".join(secrets.choice(_LETTERS) for _ in range(_GROUPS * _GROUP))
        with self._lock:
            self.shown = "-".join(
                letters[at : at + _GROUP] for at in range(0, len(letters), _GROUP)
            )
            self._salt = secrets.token_hex(16)
            self._secret = self._slow(letters)
            self._tokens.clear()
            self._store()

    def pair(self, secret: str, address: str, before: str = "") -> str:
        """Return a cookie for a telephone that knows the secret, or nothing for a wrong one.

        ``before`` is the telephone's cookie so far, which is void from now on.  Takes some
        hundredths of a second on purpose.
        """
        plain = "".join(c for c in secret.upper().translate(_ALIKE) if c in _LETTERS)
        right = hmac.compare_digest(self._slow(plain), self._secret)
        with self._lock:
            if not right:
                tries = self._tries.setdefault(address, _Tries())
                tries.wrong += 1
                wait = min(_LAST_WAIT, _FIRST_WAIT * 2.0 ** (tries.wrong - 1))
                tries.until = time.monotonic() + wait
                while len(self._tries) > 1000:
                    self._tries.pop(next(iter(self._tries)))
                return ""
            self._tries.pop(address, None)
            token = secrets.token_urlsafe(32)
            old = _quick(before)
            self._tokens = [one for one in self._tokens if one != old][-MOST_PHONES + 1 :]
            self._tokens.append(_quick(token))
            self._store()
            return token

    def wait(self, address: str) -> float:
        """Return the s that ``address`` must wait before it may try again."""
        tries = self._tries.get(address)
        return max(0.0, tries.until - time.monotonic()) if tries else 0.0

    def knows(self, token: str) -> bool:
        """Whether a cookie is that of a paired telephone."""
        quick = _quick(token)
        return any(hmac.compare_digest(quick, one) for one in tuple(self._tokens))

    def forget(self, token: str) -> None:
        """Unpair the telephone of this cookie."""
        quick = _quick(token)
        with self._lock:
            self._tokens = [one for one in self._tokens if one != quick]
            self._store()

    def _slow(self, plain: str) -> str:
        return hashlib.scrypt(plain.encode(), salt=self._salt.encode(), n=1 << 13, r=8, p=1).hex()

    def _store(self) -> None:
        text = json.dumps({"salt": self._salt, "secret": self._secret, "phones": self._tokens})
        beside = self.path.with_name(self.path.name + ".new")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "w", encoding="ascii") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self.path)
        except OSError as problem:
            raise SaglineError(
                f"cannot keep who is paired ({problem.strerror})",
                where=str(self.path),
                remedy="let this user write there",
            ) from None


def _quick(token: str) -> str:
    """Return the hash of a cookie: it is random and long, so no slow one is needed."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
