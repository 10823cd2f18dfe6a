/** The only place that draws random texts. */

const LETTERS = 'abcdefghijklmnopqrstuvwxyz0123456789';

/** Return a text of small letters and digits, every one equally likely. */
export function randomText(length: number): string {
  let text = '';
  while (text.length < length) {
    for (const byte of crypto.getRandomValues(new Uint8Array(length))) {
      // 252 = 7 * 36: higher bytes would make the first letters likelier.
      if (byte < 252 && text.length < length) text += LETTERS[byte % LETTERS.length];
    }
  }
  return text;
}

/** Return so many random bytes. */
export function randomBytes(count: number): Uint8Array<ArrayBuffer> {
  return crypto.getRandomValues(new Uint8Array(count));
}

/** Return hexadecimal digits of so many random bytes. */
export function randomHex(bytes: number): string {
  return [...crypto.getRandomValues(new Uint8Array(bytes))]
    .map((byte) => byte.toString(16).padStart(2, '0'))
    .join('');
}

/** Return a random fraction from 0 (included) to 1 (not included), to spread retries. */
export function randomFraction(): number {
  return (crypto.getRandomValues(new Uint32Array(1))[0] ?? 0) / 2 ** 32;
}
