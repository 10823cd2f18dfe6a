/**
 * The key this device signs with: ECDSA on P-256, made here, kept in IndexedDB, never readable.
 *
 * The browser hands out signatures and the public half, so that nobody who reads the disk through
 * the app can sign elsewhere as this device.
 */
import { textBytes } from '../sync/canonical-text';
import { finished, openIndexed } from './indexed-store';

/** Signs as this device. */
export interface DeviceSigner {
  /** SubjectPublicKeyInfo in base64 (SG2). */
  readonly publicKey: string;
  /** Return the signature over a text, 64 bytes in base64. */
  sign(text: string): Promise<string>;
}

/** Where the pair lies between two starts. */
export interface KeyShelf {
  take(): Promise<CryptoKeyPair | null>;
  put(pair: CryptoKeyPair): Promise<void>;
}

const ALGORITHM = { name: 'ECDSA', namedCurve: 'P-256' };
const SIGNING = { name: 'ECDSA', hash: 'SHA-256' };

/**
 * Return what signs, making a key where there is none yet.
 *
 * @returns null when this browser has no keys to give, or its second store cannot be opened now:
 *   the key may still be there at the next start
 */
export async function openDeviceKey(shelf: KeyShelf = indexedShelf): Promise<DeviceSigner | null> {
  try {
    const pair = (await shelf.take()) ?? (await makePair(shelf));
    const publicKey = await crypto.subtle.exportKey('spki', pair.publicKey);
    return {
      publicKey: writeBase64(publicKey),
      sign: async (text) =>
        writeBase64(
          await crypto.subtle.sign(SIGNING, pair.privateKey, new Uint8Array(textBytes(text))),
        ),
    };
  } catch {
    return null;
  }
}

async function makePair(shelf: KeyShelf): Promise<CryptoKeyPair> {
  const pair = await crypto.subtle.generateKey(ALGORITHM, false, ['sign', 'verify']);
  // Kept before it is used: a key that does not outlive the page must not be enrolled.
  await shelf.put(pair);
  return pair;
}

function writeBase64(content: ArrayBuffer): string {
  return btoa(String.fromCharCode(...new Uint8Array(content)));
}

const DATABASE = 'crura-key';
const STORE = 'key';

function openDatabase(): Promise<IDBDatabase> {
  return openIndexed(DATABASE, 1, (database) => database.createObjectStore(STORE));
}

const indexedShelf: KeyShelf = {
  async take() {
    const database = await openDatabase();
    try {
      const transaction = database.transaction(STORE);
      const request = transaction.objectStore(STORE).get('own');
      await finished(transaction);
      return (request.result as CryptoKeyPair | undefined) ?? null;
    } finally {
      database.close();
    }
  },

  async put(pair) {
    const database = await openDatabase();
    try {
      const transaction = database.transaction(STORE, 'readwrite', { durability: 'strict' });
      transaction.objectStore(STORE).put(pair, 'own');
      await finished(transaction);
    } finally {
      database.close();
    }
  },
};
