/** A tablet clears itself by the word of its own unit, of itself, and by no other (RQ8). */
import { expect, test } from 'vitest';
import { readRevocation } from './revocation';

const ALGORITHM = { name: 'ECDSA', namedCurve: 'P-256' };
const SIGNING = { name: 'ECDSA', hash: 'SHA-256' };
const write = (content: ArrayBuffer) => btoa(String.fromCharCode(...new Uint8Array(content)));
const pair = await crypto.subtle.generateKey(ALGORITHM, true, ['sign', 'verify']);
const other = await crypto.subtle.generateKey(ALGORITHM, true, ['sign', 'verify']);
const serverKey = write(await crypto.subtle.exportKey('spki', pair.publicKey));
const AT = 1_790_000_000_000;

async function sign(text: string, by = pair): Promise<string> {
  const bytes = new TextEncoder().encode(text);
  return write(await crypto.subtle.sign(SIGNING, by.privateKey, bytes));
}

const LOST = {
  type: '/problems/device-revoked',
  device: 'tablet-a',
  revoked_ms: AT,
  wipe: true,
  signature: await sign(`crura-revocation\ntablet-a\n${AT}\nwipe`),
};
const KEPT = {
  ...LOST,
  wipe: false,
  signature: await sign(`crura-revocation\ntablet-a\n${AT}\nkeep`),
};
const BY_OTHER = await sign(`crura-revocation\ntablet-a\n${AT}\nwipe`, other);

test('[RQ8] what the unit signed is believed', async () => {
  expect(await readRevocation(LOST, serverKey, 'tablet-a')).toEqual({ wipe: true });
  expect(await readRevocation(KEPT, serverKey, 'tablet-a')).toEqual({ wipe: false });
});

test.each([
  ['revoked alone, made to say lost', { ...KEPT, wipe: true }],
  ['of another device', { ...LOST, device: 'tablet-b' }],
  ['of another moment', { ...LOST, revoked_ms: AT + 1 }],
  ['signed by another key', { ...LOST, signature: BY_OTHER }],
  ['not signed', { ...LOST, signature: undefined }],
  ['signed by no base64', { ...LOST, signature: '?' }],
  ['without a moment', { ...LOST, revoked_ms: null }],
  ['with a moment that is none', { ...LOST, revoked_ms: -1 }],
  ['something else altogether', { type: 'about:blank', detail: 'No.' }],
])('[RQ8] a revocation %s is none', async (_, problem) => {
  // The planted bug it has caught: `wipe` read beside the signed text instead of out of it.
  expect(await readRevocation(problem, serverKey, 'tablet-a')).toBeNull();
});

test('[RQ8] of another device of the same unit, and without the key of the unit, it is none', async () => {
  expect(await readRevocation(LOST, serverKey, 'tablet-b')).toBeNull();
  expect(await readRevocation(LOST, '', 'tablet-a')).toBeNull();
});
