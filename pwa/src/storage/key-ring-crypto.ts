/** The ciphers of the key ring, all of them the browser's own (Web Cryptography API). */
import type { SealedKey, Wrapped } from './key-ring-content';

export type Bytes = Uint8Array<ArrayBuffer>;
export type Random = (bytes: number) => Uint8Array;

const PAIR = { name: 'ECDH', namedCurve: 'P-256' };
const IV_BYTES = 12;

/**
 * Return the key that is made from a hashed PIN and the secret of the device, by HKDF-SHA-256: a
 * PIN alone is no use without the ring it lies in.
 */
export function keyOfPin(
  hashed: Uint8Array,
  deviceSecret: Bytes,
  staff: string,
): Promise<CryptoKey> {
  const material = new Uint8Array(hashed.length + deviceSecret.length);
  material.set(hashed);
  material.set(deviceSecret, hashed.length);
  return deriveKey(material, `crura-pin ${staff}`);
}

/** Return the AES-256-GCM key for one purpose, made from secret bytes by HKDF-SHA-256. */
export async function deriveKey(material: Bytes, purpose: string): Promise<CryptoKey> {
  const base = await crypto.subtle.importKey('raw', material, 'HKDF', false, ['deriveKey']);
  return crypto.subtle.deriveKey(
    { name: 'HKDF', hash: 'SHA-256', salt: new Uint8Array(), info: encode(purpose) },
    base,
    { name: 'AES-GCM', length: 256 },
    false,
    ['encrypt', 'decrypt'],
  );
}

/** Encrypt bytes; `about` is bound to them and has to be the same when they are opened. */
export async function wrap(
  key: CryptoKey,
  content: Uint8Array,
  about: string,
  random: Random,
): Promise<Wrapped> {
  const iv = own(random(IV_BYTES));
  const way = { name: 'AES-GCM', iv, additionalData: encode(about) };
  const closed = await crypto.subtle.encrypt(way, key, own(content));
  return { iv: writeBase64(iv), content: writeBase64(new Uint8Array(closed)) };
}

/** Return what was encrypted, null under another key or where it was altered. */
export async function unwrap(
  key: CryptoKey,
  closed: Wrapped,
  about: string,
): Promise<Bytes | null> {
  const way = { name: 'AES-GCM', iv: readBase64(closed.iv), additionalData: encode(about) };
  try {
    return new Uint8Array(await crypto.subtle.decrypt(way, key, readBase64(closed.content)));
  } catch {
    return null;
  }
}

/** Make the pair that emergency keys are sealed for. */
export async function makePair(): Promise<{ publicKey: string; privateKey: Bytes }> {
  const pair = await crypto.subtle.generateKey(PAIR, true, ['deriveBits']);
  return {
    publicKey: writeBase64(new Uint8Array(await crypto.subtle.exportKey('raw', pair.publicKey))),
    privateKey: new Uint8Array(await crypto.subtle.exportKey('pkcs8', pair.privateKey)),
  };
}

/** Seal a key so that only the private half of a pair opens it. */
export async function sealKey(
  publicKey: string,
  number: number,
  key: Uint8Array,
  random: Random,
): Promise<SealedKey> {
  const once = await crypto.subtle.generateKey(PAIR, false, ['deriveBits']);
  const from = writeBase64(new Uint8Array(await crypto.subtle.exportKey('raw', once.publicKey)));
  const shared = await agree(once.privateKey, publicKey, `crura-emergency ${number} ${from}`);
  return { number, from, sealed: await wrap(shared, key, `emergency ${number}`, random) };
}

/** Return a sealed key, null where the private half is another's or the seal was altered. */
export async function openSealedKey(privateKey: Bytes, closed: SealedKey): Promise<Bytes | null> {
  const half = await crypto.subtle.importKey('pkcs8', privateKey, PAIR, false, ['deriveBits']);
  const purpose = `crura-emergency ${closed.number} ${closed.from}`;
  const shared = await agree(half, closed.from, purpose);
  return unwrap(shared, closed.sealed, `emergency ${closed.number}`);
}

async function agree(half: CryptoKey, other: string, purpose: string): Promise<CryptoKey> {
  const key = await crypto.subtle.importKey('raw', readBase64(other), PAIR, false, []);
  const way = { name: 'ECDH', public: key };
  return deriveKey(new Uint8Array(await crypto.subtle.deriveBits(way, half, 256)), purpose);
}

export function writeBase64(content: Uint8Array): string {
  return btoa(String.fromCharCode(...content));
}

export function readBase64(text: string): Bytes {
  return Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
}

function own(content: Uint8Array): Bytes {
  return new Uint8Array(content);
}

function encode(text: string): Bytes {
  return new Uint8Array(new TextEncoder().encode(text));
}
