"""Keys and signatures of a browser's own Web Cryptography API, as Node has it, are ours too.

Oracle: Web Cryptography API (W3C), `ECDSA` on P-256, `spki`, in the Node that builds the PWA.
"""

import base64
import json
import subprocess

import pytest

from api.storage.p256 import is_signed, read_public_key
from sync.signing import write_head_text
from tests.unit.api.twin_engine import node

HEADS = 40
SCRIPT = """
const heads = JSON.parse(require('node:fs').readFileSync(0, 'utf8'));
const base64 = (content) => Buffer.from(content).toString('base64');
(async () => {
  const { subtle } = globalThis.crypto ?? require('node:crypto').webcrypto;
  const pair = await subtle.generateKey({ name: 'ECDSA', namedCurve: 'P-256' }, false,
    ['sign', 'verify']);
  const signatures = [];
  for (const head of heads) {
    signatures.push(base64(await subtle.sign({ name: 'ECDSA', hash: 'SHA-256' },
      pair.privateKey, Buffer.from(head))));
  }
  console.log(JSON.stringify({
    key: base64(await subtle.exportKey('spki', pair.publicKey)), signatures }));
})();
"""


@pytest.fixture(scope="module")
def signed():
    heads = [
        write_head_text("tablet-a", "ep01", number, f"{number:064x}")
        for number in range(1, HEADS + 1)
    ]
    ran = subprocess.run(
        [node(), "-e", SCRIPT], input=json.dumps(heads), capture_output=True, text=True, check=True
    )
    made = json.loads(ran.stdout)
    key = base64.b64decode(made["key"])
    return key, list(zip(heads, map(base64.b64decode, made["signatures"]), strict=True))


def test_the_public_key_of_a_browser_is_in_the_one_form_we_take(signed):
    """[SG2]."""
    key, _ = signed

    read_public_key(key)
    assert len(key) == 91


def test_every_signature_of_a_browser_is_valid_over_its_own_head_alone(signed):
    """[SG1] [SG2]."""
    key, heads = signed

    for place, (head, signature) in enumerate(heads):
        other, _ = heads[place - 1]
        assert is_signed(key, head.encode(), signature)
        assert not is_signed(key, other.encode(), signature)
