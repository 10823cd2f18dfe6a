import { expect, test } from 'vitest';
import { type KeyShelf, openDeviceKey } from './device-key';

const SIGNING = { name: 'ECDSA', hash: 'SHA-256' };

class MemoryShelf implements KeyShelf {
  kept: CryptoKeyPair | null = null;
  take = async () => this.kept;
  put = async (pair: CryptoKeyPair) => {
    this.kept = pair;
  };
}

const bytesOf = (text: string) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

test('[SG2] a key is made once, kept, and signs 64 bytes that its public half verifies', async () => {
  const shelf = new MemoryShelf();
  const first = await openDeviceKey(shelf);
  const again = await openDeviceKey(shelf);

  expect(again?.publicKey).toBe(first?.publicKey);
  expect(bytesOf(first?.publicKey ?? '')).toHaveLength(91);
  const signature = bytesOf((await again?.sign('a head')) ?? '');
  expect(signature).toHaveLength(64);
  const verifying = shelf.kept?.publicKey as CryptoKey;
  const text = new TextEncoder().encode('a head');
  expect(await crypto.subtle.verify(SIGNING, verifying, signature, text)).toBe(true);
});

test('the secret half cannot be read by anybody', async () => {
  const shelf = new MemoryShelf();
  await openDeviceKey(shelf);
  const secret = shelf.kept?.privateKey as CryptoKey;

  expect(secret.extractable).toBe(false);
  await expect(crypto.subtle.exportKey('pkcs8', secret)).rejects.toThrow();
});

test('a second store that cannot be opened gives no key and makes none', async () => {
  const shelf = new MemoryShelf();
  shelf.take = () => Promise.reject(new Error('closed'));

  expect(await openDeviceKey(shelf)).toBeNull();
  expect(shelf.kept).toBeNull();
});

test('a key that cannot be kept is not used', async () => {
  const shelf = new MemoryShelf();
  shelf.put = () => Promise.reject(new Error('full'));

  expect(await openDeviceKey(shelf)).toBeNull();
});
