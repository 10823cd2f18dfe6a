/**
 * Proves that the Argon2id of this app is that of RFC 9106.
 *
 * The vectors come from OpenSSL's Argon2id, which the Python test of the same file holds against
 * the test vector of RFC 9106, section 5.3; that one itself takes associated data and a secret.
 */
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { hashArgon } from './argon';

interface Vector {
  pin: string;
  salt_hex: string;
  memory_kib: number;
  passes: number;
  lanes: number;
  key_hex: string;
}

const FILE = fileURLToPath(
  new URL('../../../tests/oracles/argon2id_vectors.json', import.meta.url),
);
const vectors = (JSON.parse(readFileSync(FILE, 'utf8')) as { vectors: Vector[] }).vectors;
const hex = (bytes: Uint8Array) => Buffer.from(bytes).toString('hex');

test('[SEC-11] there are vectors with one lane and with several', () => {
  expect(new Set(vectors.map(({ lanes }) => lanes)).size).toBeGreaterThan(1);
});

test.each(vectors)('[SEC-11] $memory_kib KiB, $passes passes, $lanes lanes', async (vector) => {
  const cost = { memoryKiB: vector.memory_kib, passes: vector.passes, lanes: vector.lanes };
  const salt = new Uint8Array(Buffer.from(vector.salt_hex, 'hex'));
  expect(hex(await hashArgon(vector.pin, salt, cost))).toBe(vector.key_hex);
});
