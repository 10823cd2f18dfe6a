/** The hash of texts against the published examples: one wrong digit and no two places agree. */
import { expect, test } from 'vitest';
import { hashText } from './sha256';

/** NIST: Examples with Intermediate Values, SHA-256; FIPS 180-2, appendix B. */
test.each([
  ['abc', 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'],
  [
    'abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq',
    '248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1',
  ],
  ['a'.repeat(1_000_000), 'cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0'],
  ['', 'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855'],
])('[OP3] a published example (%#)', (text, digits) => {
  expect(hashText(text)).toBe(digits);
});
