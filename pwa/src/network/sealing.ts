/**
 * Sealing for the unit server: whoever seals needs its public key alone, and cannot open again.
 *
 * ECDH on P-256 with a key used once, HKDF-SHA-256, AES-256-GCM (SE1). A locked tablet sends what
 * was sealed while it was open [SEC-14].
 */
import { textBytes } from '../sync/canonical-text';

const CURVE = { name: 'ECDH', namedCurve: 'P-256' };
const VERSION = 1;
/** An uncompressed point of the curve; it ends the SubjectPublicKeyInfo of a key, too. */
const POINT_BYTES = 65;
/** The key is used once, so that its first nonce is its only one. */
const NONCE = new Uint8Array(12);

/** What is bound to a sealed entry: it opens as nothing else. */
export function aboutEntry(device: string, epoch: string, counter: number): string {
  return `entry\n${device}\n${epoch}\n${counter}`;
}

/** What is bound to the data key that a tablet leaves with its unit. */
export function aboutShare(device: string): string {
  return `share\n${device}`;
}

/** What is bound to the data key on its way back to the tablet. */
export function aboutReturn(device: string): string {
  return `return\n${device}`;
}

/**
 * Seal bytes for a public key.
 *
 * @param publicKey - SubjectPublicKeyInfo in base64 (SG2)
 * @param about - bound to the content; the same has to be said when it is opened
 * @throws an error for what is no key on P-256
 */
export async function seal(
  publicKey: string,
  about: string,
  content: Uint8Array,
): Promise<Uint8Array<ArrayBuffer>> {
  const spki = bytesOf(publicKey);
  const to = await crypto.subtle.importKey('spki', spki, CURVE, false, []);
  const once = await crypto.subtle.generateKey(CURVE, false, ['deriveBits']);
  const from = new Uint8Array(await crypto.subtle.exportKey('raw', once.publicKey));
  const key = await agree(once.privateKey, to, from, spki.slice(-POINT_BYTES), about, 'encrypt');
  const way = { name: 'AES-GCM', iv: NONCE };
  const closed = await crypto.subtle.encrypt(way, key, new Uint8Array(content));
  const sealed = new Uint8Array(1 + POINT_BYTES + closed.byteLength);
  sealed[0] = VERSION;
  sealed.set(from, 1);
  sealed.set(new Uint8Array(closed), 1 + POINT_BYTES);
  return sealed;
}

/**
 * Open what was sealed for a pair of this tablet.
 *
 * @returns null for another key, another `about`, or altered bytes
 */
export async function openSealed(
  pair: CryptoKeyPair,
  about: string,
  sealed: Uint8Array,
): Promise<Uint8Array<ArrayBuffer> | null> {
  if (sealed[0] !== VERSION || sealed.length <= 1 + POINT_BYTES) return null;
  const from = sealed.slice(1, 1 + POINT_BYTES);
  try {
    const other = await crypto.subtle.importKey('raw', from, CURVE, false, []);
    const own = new Uint8Array(await crypto.subtle.exportKey('raw', pair.publicKey));
    const key = await agree(pair.privateKey, other, from, own, about, 'decrypt');
    const way = { name: 'AES-GCM', iv: NONCE };
    const closed = sealed.slice(1 + POINT_BYTES);
    return new Uint8Array(await crypto.subtle.decrypt(way, key, closed));
  } catch {
    return null;
  }
}

/** Make a pair that something is sealed for once. */
export async function makeReturnPair(): Promise<{ pair: CryptoKeyPair; publicKey: string }> {
  const pair = await crypto.subtle.generateKey(CURVE, false, ['deriveBits']);
  const spki = new Uint8Array(await crypto.subtle.exportKey('spki', pair.publicKey));
  return { pair, publicKey: base64Of(spki) };
}

async function agree(
  half: CryptoKey,
  other: CryptoKey,
  from: Uint8Array,
  to: Uint8Array,
  about: string,
  use: 'encrypt' | 'decrypt',
): Promise<CryptoKey> {
  const shared = await crypto.subtle.deriveBits({ name: 'ECDH', public: other }, half, 256);
  const material = await crypto.subtle.importKey('raw', shared, 'HKDF', false, ['deriveKey']);
  const salt = new Uint8Array([...from, ...to]);
  const info = new Uint8Array(textBytes(`crura-seal\n${about}`));
  const way = { name: 'HKDF', hash: 'SHA-256', salt, info };
  return crypto.subtle.deriveKey(way, material, { name: 'AES-GCM', length: 256 }, false, [use]);
}

/** Write bytes as base64 with padding. */
export function base64Of(content: Uint8Array): string {
  let letters = '';
  for (const byte of content) letters += String.fromCharCode(byte);
  return btoa(letters);
}

/** Read the bytes of a base64 text. */
export function bytesOf(text: string): Uint8Array<ArrayBuffer> {
  return Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
}
