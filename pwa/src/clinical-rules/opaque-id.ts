/**
 * Ids for what leaves the unit: the same for one record always, and telling nothing of it.
 * Twin of `api/documents/opaque_id.py`.
 */
import { sha1 } from '@noble/hashes/legacy.js';
import { bytesToHex, concatBytes, hexToBytes, utf8ToBytes } from '@noble/hashes/utils.js';

/** Drawn once; never to be changed, or whoever was told of a record would take it for another. */
const NAMESPACE = hexToBytes('6b0d9f0e5a0c4c539a3f0d1d3c1be1f4');

/** Return a UUID (RFC 9562, version 5) made from a record's name. */
export function opaqueId(record: string): string {
  const bytes = sha1(concatBytes(NAMESPACE, utf8ToBytes(record))).slice(0, 16);
  bytes[6] = ((bytes[6] ?? 0) & 0x0f) | 0x50;
  bytes[8] = ((bytes[8] ?? 0) & 0x3f) | 0x80;
  const digits = bytesToHex(bytes);
  return [8, 12, 16, 20, 32]
    .map((end, place, ends) => digits.slice(ends[place - 1] ?? 0, end))
    .join('-');
}
