/**
 * The part of an operation that speaks of the clinic, as text. Twin of the body in `operation.py`.
 *
 * The text is kept exactly as it was written; what is read from it here may leave out keys of a
 * newer version, the text never does (OP7).
 */
import { byteLength, hasLoneSurrogate, type JsonContent } from './canonical-text';
import { MalformedOperationError } from './errors';

export const MAX_BODY_BYTES = 65_536;
/** Room for the pointer of a re-issue, whose reference has at most 80 characters (OP8). */
const MAX_AGAIN_BYTES = 96;
export const MAX_WHOLE_NUMBER = 2 ** 53 - 1;
/** Deeper nesting is read by one language and exhausts the other's stack (OP6). */
export const MAX_DEPTH = 32;

const SALT = /^[0-9a-f]{32}$/;
const REFERENCE = /^[a-z0-9-]{1,32}\.[a-z0-9]{4,16}\.[1-9][0-9]{0,11}#[0-9a-f]{16}$/;

/** What one person saved in one act; see `Body` in `operation.py` for each part. */
export interface Body {
  /** 32 hexadecimal digits: keeps the commitment from being guessed. */
  salt: string;
  /** Staff id of the person who answers for the entry. */
  by: string;
  /** Staff id of the person who tapped. */
  tappedBy: string;
  /** Version of the record catalogue the writer knew. */
  catalogue: number;
  /** Field name to new value; null clears a field. */
  set: Record<string, JsonContent>;
  /** Field name to the references whose values were on screen when the form opened. */
  over: Record<string, readonly string[]>;
  /** References of operations entered in error. */
  retract: readonly string[];
  /** Reason in words, or "". */
  because: string;
  /** Reference of the operation of another epoch that this one repeats (OP8), or absent. */
  again?: string;
}

/** Return the body as JSON text; empty parts are left out (OP4). */
export function writeBody(body: Body): string {
  const parts: Record<string, unknown> = {
    salt: body.salt,
    by: body.by,
    tapped_by: body.tappedBy,
    catalogue: body.catalogue,
  };
  if (Object.keys(body.set).length > 0) parts.set = body.set;
  if (Object.keys(body.over).length > 0) parts.over = body.over;
  if (body.retract.length > 0) parts.retract = body.retract;
  if (body.because !== '') parts.because = body.because;
  if (body.again) parts.again = body.again;
  return JSON.stringify(parts);
}

/**
 * Return the body that a text holds.
 *
 * @throws MalformedOperationError when the text breaks OP4, OP6 or OP7; the sentence names the
 * operation and the part.
 */
export function readBody(bodyText: string, opId = 'this operation'): Body {
  const length = byteLength(bodyText);
  const tooLong = () =>
    new MalformedOperationError(
      `The body of ${opId} is over ${MAX_BODY_BYTES} bytes. Put large content in a blob.`,
    );
  if (length > MAX_BODY_BYTES + MAX_AGAIN_BYTES) throw tooLong();
  const unreadable = (why: string) =>
    new MalformedOperationError(
      `The body of ${opId} cannot be read (${why}). Send it as the device wrote it.`,
    );
  let parts: unknown;
  try {
    parts = parseMarkingFractions(bodyText);
  } catch (error) {
    throw unreadable(error instanceof Error ? error.message : 'no JSON');
  }
  if (!isObject(parts)) throw unreadable('no object');
  const {
    salt,
    by,
    tapped_by: tappedBy,
    catalogue,
    set = {},
    over = {},
    retract = [],
    because = '',
    again = '',
  } = parts;
  if (typeof salt !== 'string') throw unreadable('salt is no text');
  if (typeof by !== 'string') throw unreadable('by is no text');
  if (typeof tappedBy !== 'string') throw unreadable('tapped_by is no text');
  if (!Number.isInteger(catalogue)) throw unreadable('catalogue is no whole number');
  if (!isObject(set)) throw unreadable('set is no object');
  if (!isObject(over) || !Object.values(over).every(isTextList)) throw unreadable('over');
  if (!isTextList(retract)) throw unreadable('retract is no list of texts');
  if (typeof because !== 'string') throw unreadable('because is no text');
  if (typeof again !== 'string') throw unreadable('again is no text');
  // A body as long as may be can still be written again (OP8).
  const pointer = again === '' ? 0 : `,"again":"${again}"`.length;
  if (length > MAX_BODY_BYTES + pointer) throw tooLong();
  if (!SALT.test(salt)) throw malformedPart(`salt of ${opId}`, salt, '32 hexadecimal digits');
  if (Object.keys(set).length === 0 && retract.length === 0) {
    throw new MalformedOperationError(`${opId} sets no field and retracts nothing. Leave it out.`);
  }
  const named = again === '' ? [] : [again];
  for (const references of [...Object.values(over as Record<string, string[]>), retract, named]) {
    for (const reference of references) {
      if (!REFERENCE.test(reference)) {
        throw malformedPart(`reference in ${opId}`, reference, 'op_id#16 digits');
      }
    }
  }
  // Half a character comes as it is, or as an escape.
  if (bodyText.includes('\\u') || hasLoneSurrogate(bodyText)) refuseUnreadable(parts, unreadable);
  refuseFractions(set, opId, 0);
  return {
    salt,
    by,
    tappedBy,
    catalogue: catalogue as number,
    set: set as Record<string, JsonContent>,
    over: over as Record<string, string[]>,
    retract,
    because,
    ...(again === '' ? {} : { again }),
  };
}

/**
 * Return the body of an operation that was read before: what `readBody` checks is not again.
 *
 * For texts that an `Operation` holds; merge reads each of them many times.
 */
export function decodeBody(bodyText: string): Body {
  const parts = JSON.parse(bodyText);
  return {
    salt: parts.salt,
    by: parts.by,
    tappedBy: parts.tapped_by,
    catalogue: parts.catalogue,
    set: parts.set ?? {},
    over: parts.over ?? {},
    retract: parts.retract ?? [],
    because: parts.because ?? '',
    ...(parts.again ? { again: parts.again } : {}),
  };
}

/** Return the error for one part; shared with the envelope. */
export function malformedPart(
  part: string,
  found: string,
  wanted: string,
): MalformedOperationError {
  return new MalformedOperationError(
    `The ${part} is '${found.slice(0, 80)}'; it has to be ${wanted}.`,
  );
}

const isObject = (content: unknown): content is Record<string, unknown> =>
  typeof content === 'object' && content !== null && !Array.isArray(content);
const isTextList = (content: unknown): content is string[] =>
  Array.isArray(content) && content.every((entry) => typeof entry === 'string');

/**
 * Parse, reading `1.0` and `1e2` as fractions: JavaScript alone would take them for whole
 * numbers and the twins would disagree (OP6).
 */
function parseMarkingFractions(text: string): unknown {
  const parsed: unknown = JSON.parse(text);
  // A number stands at the start, after a mark of JSON or after a space; what looks like one inside
  // a text is sorted out below.
  if (!/(?:^|[:[,\s])-?[0-9]+[.eE]/.test(text)) return parsed;
  const marked = text.replace(/"(?:[^"\\]|\\.)*"|-?[0-9][0-9.eE+-]*/g, (token) =>
    token.startsWith('"') || !/[.eE]/.test(token) ? token : '0.5',
  );
  return JSON.parse(marked);
}

function refuseUnreadable(content: unknown, unreadable: (why: string) => Error): void {
  const waiting: unknown[] = [content];
  while (waiting.length > 0) {
    const next = waiting.pop();
    if (typeof next === 'string' && hasLoneSurrogate(next)) throw unreadable('half a character');
    if (typeof next !== 'object' || next === null) continue;
    if (!Array.isArray(next)) waiting.push(...Object.keys(next));
    waiting.push(...Object.values(next));
  }
}

function refuseFractions(content: unknown, opId: string, depth: number): void {
  if (depth > MAX_DEPTH) {
    throw new MalformedOperationError(
      `${opId} is nested over ${MAX_DEPTH} levels deep. Write it flatter (OP6).`,
    );
  }
  if (typeof content === 'number' && !Number.isSafeInteger(content)) {
    throw new MalformedOperationError(
      `${opId} holds a number that is no whole number. Write whole numbers in a small unit (OP6).`,
    );
  }
  if (typeof content !== 'object' || content === null) return;
  for (const inner of Object.values(content)) refuseFractions(inner, opId, depth + 1);
}
