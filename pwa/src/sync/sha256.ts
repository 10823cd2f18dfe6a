/** SHA-256 of texts. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import { textBytes } from './canonical-text';

/** Return the SHA-256 of a text in UTF-8, 64 hexadecimal digits. */
export function hashText(text: string): string {
  return bytesToHex(sha256(textBytes(text)));
}
