/** What the data key opens beside the records file: one AES-256-GCM key for each purpose. */

const IV_BYTES = 12;

/** Encrypts and decrypts for one purpose; bytes of another purpose do not open. */
export interface Cipher {
  /** @param about - bound to the content; the same has to be said when it is opened */
  close(about: string, content: Uint8Array): Promise<Uint8Array<ArrayBuffer>>;
  /** Return null for what was written under another key or for another place, or was altered. */
  open(about: string, closed: Uint8Array): Promise<Uint8Array<ArrayBuffer> | null>;
}

/**
 * Return the cipher of one purpose: its key is made from the data key by HKDF-SHA-256.
 *
 * @param random - draws the nonce of each content
 */
export async function cipherFor(
  dataKey: Uint8Array,
  purpose: 'pictures' | 'copy',
  random: (bytes: number) => Uint8Array,
): Promise<Cipher> {
  const key = await deriveKey(dataKey, `crura ${purpose}`);
  return {
    async close(about, content) {
      const iv = new Uint8Array(random(IV_BYTES));
      const way = { name: 'AES-GCM', iv, additionalData: bytesOf(about) };
      const body = await crypto.subtle.encrypt(way, key, new Uint8Array(content));
      const closed = new Uint8Array(IV_BYTES + body.byteLength);
      closed.set(iv);
      closed.set(new Uint8Array(body), IV_BYTES);
      return closed;
    },
    async open(about, closed) {
      const iv = closed.slice(0, IV_BYTES);
      const way = { name: 'AES-GCM', iv, additionalData: bytesOf(about) };
      try {
        return new Uint8Array(await crypto.subtle.decrypt(way, key, closed.slice(IV_BYTES)));
      } catch {
        return null;
      }
    },
  };
}

async function deriveKey(dataKey: Uint8Array, purpose: string): Promise<CryptoKey> {
  const given = new Uint8Array(dataKey);
  const material = await crypto.subtle.importKey('raw', given, 'HKDF', false, ['deriveKey']);
  const way = { name: 'HKDF', hash: 'SHA-256', salt: new Uint8Array(), info: bytesOf(purpose) };
  const kind = { name: 'AES-GCM', length: 256 };
  return crypto.subtle.deriveKey(way, material, kind, false, ['encrypt', 'decrypt']);
}

function bytesOf(text: string): Uint8Array<ArrayBuffer> {
  return new Uint8Array(new TextEncoder().encode(text));
}
