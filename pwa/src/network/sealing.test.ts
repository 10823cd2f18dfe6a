/** Sealed bytes open for their receiver alone (SE1), as the server's twin opens them. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { aboutShare, bytesOf, makeReturnPair, openSealed, seal } from './sealing';

interface Case {
  description: string;
  given: { receiver: string; about: string; sealed: string };
  expect: string | null;
}

const FILE = new URL('../../../tests/conformance/sealing/open_sealed.json', import.meta.url);
const CURVE = { name: 'ECDH', namedCurve: 'P-256' };

/** The pair of a private key in PKCS #8. */
async function pairOf(receiver: string): Promise<CryptoKeyPair> {
  const way = ['deriveBits'] as const;
  const { subtle } = crypto;
  const privateKey = await subtle.importKey('pkcs8', bytesOf(receiver), CURVE, true, [...way]);
  const { d: _, key_ops: _ops, ...half } = await subtle.exportKey('jwk', privateKey);
  return { privateKey, publicKey: await subtle.importKey('jwk', half, CURVE, true, []) };
}

/** [SE1] The planted bug it has caught: the two points of the salt in the other order. */
test.each((JSON.parse(readFileSync(FILE, 'utf-8')) as { cases: Case[] }).cases)(
  '$description',
  async ({ given, expect: expected }) => {
    const pair = await pairOf(given.receiver);

    const opened = await openSealed(pair, given.about, bytesOf(given.sealed));

    expect(opened === null ? null : new TextDecoder().decode(opened)).toBe(expected);
  },
);

test('[SE1] what is sealed here opens for its receiver, and never looks the same', async () => {
  const { pair, publicKey } = await makeReturnPair();
  const content = new TextEncoder().encode('Zacharias Planted');

  const one = await seal(publicKey, aboutShare('tablet-a'), content);
  const other = await seal(publicKey, aboutShare('tablet-a'), content);

  expect(await openSealed(pair, aboutShare('tablet-a'), one)).toEqual(content);
  expect(one.slice(1)).not.toEqual(other.slice(1));
  expect(new TextDecoder('latin1').decode(one)).not.toContain('Planted');
  await expect(seal('AAAA', 'share', content)).rejects.toThrow();
});
