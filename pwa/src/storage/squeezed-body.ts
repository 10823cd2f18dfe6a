/**
 * Bodies in few bytes: what most bodies share is a phrase, what is its own follows it.
 *
 * Lossless for every text: what does not look like a body of ours is kept as it is. The first byte
 * says which. A squeezed body is: number of the head (who wrote, catalogue), number of the shape
 * (keys and marks), 16 bytes of salt, and the values in the order of their places in the shape.
 */
import { bytesToHex, hexToBytes } from '@noble/hashes/utils.js';
import { textBytes } from '../sync/canonical-text';
import type { Phrases } from './phrases';

const PLAIN = 0;
const SQUEEZED = 1;
const START = /^\{"salt":"([0-9a-f]{32})",/;
/** `{"salt":"`, 32 digits, `",`. */
const START_LENGTH = 43;
const SALT_BYTES = 16;
/** Where what one person wrote again and again ends. */
const AFTER_HEAD = /"(?:set|over|retract)":/;
const TOKEN = /"(?:[^"\\]|\\.)*"(:?)|-?[0-9]+/g;
const RECORD = /^[a-z_]{1,40}\/[A-Za-z0-9-]{1,64}$/;
/** Control characters stand in no JSON text, so these cannot be mistaken for part of one. */
const [TEXT_HERE, NUMBER_HERE, NEXT, PHRASE] = ['\u0001', '\u0002', '\u0003', '\u0004'];
// biome-ignore lint/suspicious/noControlCharactersInRegex: the four marks above
const MARK = /[\u0001-\u0004]/;
/** A longer shape is hardly ever met again. */
const LONGEST_SHAPE = 1_024;

const decoder = new TextDecoder('utf-8', { ignoreBOM: true });

/** Return the bytes that a body is kept as; gives numbers to phrases that are new. */
export function squeezeBody(text: string, phrases: Phrases): Uint8Array {
  const start = START.exec(text);
  if (start === null || MARK.test(text)) return plainBytes(text);
  const rest = text.slice(START_LENGTH);
  const headLength = rest.search(AFTER_HEAD);
  if (headLength < 0) return plainBytes(text);
  const values: string[] = [];
  const shape = rest.slice(headLength).replace(TOKEN, (token, colon) => {
    if (colon === ':') return token;
    if (!token.startsWith('"')) {
      values.push(token);
      return NUMBER_HERE;
    }
    const value = token.slice(1, -1);
    values.push(RECORD.test(value) ? PHRASE + phrases.name(value).toString(36) : value);
    return TEXT_HERE;
  });
  if (shape.length > LONGEST_SHAPE) return plainBytes(text);
  const numbers = [phrases.name(rest.slice(0, headLength)), phrases.name(shape)];
  const own = values.join(NEXT);
  // Eight bytes hold any number of a row as groups of seven bits.
  const bytes = new Uint8Array(1 + 2 * 8 + SALT_BYTES + 3 * own.length);
  bytes[0] = SQUEEZED;
  let at = 1;
  for (const number of numbers) at = writeNumber(bytes, at, number);
  bytes.set(hexToBytes(start[1] as string), at);
  at += SALT_BYTES;
  return bytes.slice(0, at + writeText(own, bytes, at));
}

/** Return the text that bytes were made of; of damaged bytes some other text, as its hash tells. */
export function unsqueezeBody(bytes: Uint8Array, phrases: Phrases): string {
  if (bytes[0] !== SQUEEZED) return decoder.decode(bytes.subarray(1));
  let at = 1;
  const texts: string[] = [];
  while (texts.length < 2) {
    let number = 0;
    for (let weight = 1; at < bytes.length; weight *= 128) {
      const group = bytes[at++] as number;
      number += (group % 128) * weight;
      if (group < 128) break;
    }
    texts.push(phrases.read(number));
  }
  const [head, shape = ''] = texts;
  const salt = bytesToHex(bytes.subarray(at, at + SALT_BYTES));
  const values = readText(bytes, at + SALT_BYTES).split(NEXT);
  let text = `{"salt":"${salt}",${head}`;
  let from = 0;
  let place = 0;
  for (let here = 0; here < shape.length; here++) {
    const isText = shape[here] === TEXT_HERE;
    if (!isText && shape[here] !== NUMBER_HERE) continue;
    const value = values[place++] ?? '';
    const whole = value.startsWith(PHRASE) ? phrases.read(parseInt(value.slice(1), 36)) : value;
    text += shape.slice(from, here) + (isText ? `"${whole}"` : whole);
    from = here + 1;
  }
  return text + shape.slice(from);
}

function plainBytes(text: string): Uint8Array {
  const content = textBytes(text);
  const bytes = new Uint8Array(1 + content.length);
  bytes[0] = PLAIN;
  bytes.set(content, 1);
  return bytes;
}

function writeNumber(bytes: Uint8Array, from: number, number: number): number {
  let at = from;
  let rest = number;
  for (; rest >= 128; rest = Math.floor(rest / 128)) bytes[at++] = (rest % 128) + 128;
  bytes[at++] = rest;
  return at;
}

const encoder = new TextEncoder();

function writeText(text: string, bytes: Uint8Array, at: number): number {
  return encoder.encodeInto(text, bytes.subarray(at)).written;
}

function readText(bytes: Uint8Array, at: number): string {
  return decoder.decode(bytes.subarray(at));
}
