/** What lies in the key ring, as the text with its checksum that is written. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { ArgonCost } from './key-ring-cost';

/** Something encrypted by AES-GCM; both in base64. */
export interface Wrapped {
  iv: string;
  content: string;
}

/** One person with a PIN on this tablet. */
export interface RingEntry {
  staff: string;
  name: string;
  role: string;
  salt: string;
  cost: ArgonCost;
  /** The data key under the key made from the PIN. */
  wrapped: Wrapped;
  /** Wrong PINs in a row, the one that is being tried among them. */
  tries: number;
  waitUntilMs: number;
}

/** A key that opens records without a PIN for a while; base64. */
export interface OpenSlot {
  key: string;
  sinceMs: number;
}

/** An emergency key, sealed for whoever has the data key. */
export interface SealedKey {
  number: number;
  /** Public half of the pair made for this one sealing. */
  from: string;
  sealed: Wrapped;
}

/** Keys that lie in the clear; they are written to the files alone, which are overwritten. */
export interface PlainSlots {
  /** The data key before anybody had a PIN here. */
  first: string | null;
  /** The data key while a case is live. */
  live: OpenSlot | null;
  /** The emergency key that is in use. */
  emergency: (OpenSlot & { number: number }) | null;
  /** Emergency keys made while every other key was lost, until a data key is there to seal them. */
  loose?: readonly LooseKey[];
}

export interface LooseKey {
  number: number;
  /** Base64. */
  key: string;
}

export interface RingContent {
  turn: number;
  deviceSecret: string;
  people: RingEntry[];
  /** The pair that emergency keys are sealed for; the private half under the data key. */
  pair: { publicKey: string; privateKey: Wrapped } | null;
  sealed: SealedKey[];
  lastNumber: number;
  notes: Record<string, string>;
  slots: PlainSlots;
}

export const NO_SLOTS: PlainSlots = { first: null, live: null, emergency: null };

const FORMAT = 'crura-ring 1';

/** Return the bytes that are written. */
export function writeRing(content: RingContent): Uint8Array<ArrayBuffer> {
  const text = JSON.stringify(content);
  return new Uint8Array(encode(`${FORMAT}\n${checksum(text)}\n${text}\n`));
}

/** Return what was written, null where it was cut off, altered, or of another format. */
export function readRing(bytes: Uint8Array): RingContent | null {
  const [format, sum, text] = new TextDecoder().decode(bytes).split('\n');
  if (format !== FORMAT || text === undefined || checksum(text) !== sum) return null;
  return JSON.parse(text) as RingContent;
}

function checksum(text: string): string {
  return bytesToHex(sha256(encode(text)));
}

function encode(text: string): Uint8Array<ArrayBuffer> {
  return new Uint8Array(new TextEncoder().encode(text));
}
