/**
 * Operations: what one person saved in one act, on one record, as bytes that never change.
 * Twin of `operation.py`.
 *
 * An operation is two texts. The *envelope* is canonical JSON with fixed keys, so its hash can be
 * rebuilt from its parts; the *body* is kept exactly as it was written and may be withheld, since
 * the envelope holds only a salted commitment to it. No merge here: see `merge.ts`.
 */
import { type Body, malformedPart, readBody, writeBody } from './body';
import { hasLoneSurrogate } from './canonical-text';
import { readStamp } from './clock';
import { ForgedOperationError, MalformedOperationError } from './errors';
import { hashText } from './sha256';

export {
  type Body,
  decodeBody,
  MAX_BODY_BYTES,
  MAX_WHOLE_NUMBER,
  readBody,
  writeBody,
} from './body';

export { hashText } from './sha256';

export const REFERENCE_DIGITS = 16;

const OP_ID = /^([a-z0-9-]{1,32})\.([a-z0-9]{4,16})\.([1-9][0-9]{0,11})$/;
const STREAM = /^[a-z_]{1,24}$/;
const RECORD = /^([a-z_]{1,40})\/([A-Za-z0-9-]{1,64})$/;
const HASH = /^[0-9a-f]{64}$/;
/**
 * The whole canonical envelope (OP2). Every part is free of quotes and backslashes, so what matches
 * is an envelope; what does not is read as JSON to say what is wrong with it.
 */
const CANONICAL = new RegExp(
  [
    String.raw`^\{"op_id":"(([a-z0-9-]{1,32})\.([a-z0-9]{4,16})\.([1-9][0-9]{0,11}))"`,
    '"previous":"([0-9a-f]{64}|)"',
    '"stream":"([a-z_]{1,24})"',
    '"record":"([a-z_]{1,40}/[A-Za-z0-9-]{1,64})"',
    String.raw`"stamp":"([0-9]{15}\.[0-9]{5}\.[a-z0-9-]{1,32})"`,
    String.raw`"commitment":"([0-9a-f]{64})"\}$`,
  ].join(','),
);

/** One operation with its exact texts. `bodyText` is null when the body is withheld. */
export interface Operation {
  readonly opId: string;
  readonly device: string;
  readonly epoch: string;
  readonly counter: number;
  readonly previous: string;
  readonly stream: string;
  readonly record: string;
  readonly stamp: string;
  readonly commitment: string;
  readonly hash: string;
  readonly bodyText: string | null;
}

/** Return the record kind, the part of a record id before the slash. */
export function kindOf(record: string): string {
  return record.split('/', 1)[0] ?? '';
}

/** Return `op_id#` and the first 16 digits of the hash, so that a fork stays unambiguous (OP3). */
export function referenceOf(operation: Pick<Operation, 'opId' | 'hash'>): string {
  return `${operation.opId}#${operation.hash.slice(0, REFERENCE_DIGITS)}`;
}

/** Return the canonical envelope, rebuilt byte for byte from its parts (OP2). */
export function writeEnvelope(
  parts: Pick<Operation, 'opId' | 'previous' | 'stream' | 'record' | 'stamp' | 'commitment'>,
): string {
  // Every part is ASCII without quotes or backslashes (checked), so no escaping is needed.
  return (
    `{"op_id":"${parts.opId}","previous":"${parts.previous}","stream":"${parts.stream}",` +
    `"record":"${parts.record}","stamp":"${parts.stamp}","commitment":"${parts.commitment}"}`
  );
}

/** What a new operation is made of. */
export interface OperationParts {
  device: string;
  epoch: string;
  /** From 1 without gaps: place in the log of this device and epoch. */
  counter: number;
  /** Hash of the operation before it, "" for the first. */
  previous: string;
  stream: string;
  record: string;
  /** Text of a stamp. */
  stamp: string;
  body: Body;
}

/**
 * Return a new operation that continues a device's log.
 *
 * @throws MalformedOperationError when a part breaks OP1-OP7; no operation is made.
 */
export function makeOperation({ body, ...parts }: OperationParts): Operation {
  return makeOperationOf({ ...parts, bodyText: writeBody(body) });
}

/** Return a new operation over a body that is text already; see `makeOperation`. */
export function makeOperationOf(
  parts: Omit<OperationParts, 'body'> & { bodyText: string },
): Operation {
  const { bodyText } = parts;
  const envelope = writeEnvelope({
    ...parts,
    opId: `${parts.device}.${parts.epoch}.${parts.counter}`,
    commitment: hashText(bodyText),
  });
  return readOperation(envelope, bodyText);
}

const KEYS = ['op_id', 'previous', 'stream', 'record', 'stamp', 'commitment'] as const;

function readEnvelopeParts(envelopeText: string): Record<(typeof KEYS)[number], string> {
  const refused = (why: string) =>
    new MalformedOperationError(
      `The envelope is not one of ours (${why}). Send it as the device wrote it.`,
    );
  let parsed: unknown;
  try {
    parsed = JSON.parse(envelopeText);
  } catch {
    throw refused('no JSON');
  }
  if (typeof parsed !== 'object' || parsed === null || Array.isArray(parsed)) {
    throw refused('no object');
  }
  const parts = parsed as Record<string, unknown>;
  for (const key of KEYS) if (typeof parts[key] !== 'string') throw refused(`no ${key}`);
  const unknown = Object.keys(parts).find((key) => !KEYS.some((known) => known === key));
  if (unknown !== undefined) throw refused(`unknown key ${unknown}`);
  return parts as Record<(typeof KEYS)[number], string>;
}

/**
 * Return the operation that two texts hold. Twin of `read_operation`.
 *
 * @param envelopeText - canonical envelope; any other spelling of the same JSON is refused (OP2)
 * @param bodyText - exact body text; null when it was withheld from this reader
 * @throws MalformedOperationError when the envelope or the body breaks OP1-OP7
 * @param bodyHash - `hashText` of the body, for a caller that has it already
 * @throws ForgedOperationError when the body is not the one the envelope commits to
 */
export function readOperation(
  envelopeText: string,
  bodyText: string | null,
  bodyHash: string | null = null,
): Operation {
  const found = CANONICAL.exec(envelopeText);
  if (found === null) throw explain(envelopeText);
  const [, opId = '', device = '', epoch = '', digits, previous = '', stream = ''] = found;
  const [record = '', stamp = '', commitment = ''] = found.slice(7);
  const counter = Number(digits);
  if ((previous === '') !== (counter === 1)) throw explain(envelopeText);
  if (bodyText !== null) {
    if (hasLoneSurrogate(bodyText) || (bodyHash ?? hashText(bodyText)) !== commitment) {
      throw new ForgedOperationError(
        `The body of ${opId} is not the one it commits to. ` +
          'It was changed after it was written: keep the tablet and ask the data manager.',
      );
    }
    readBody(bodyText, opId);
  }
  return {
    opId,
    device,
    epoch,
    counter,
    previous,
    stream,
    record,
    stamp,
    commitment,
    hash: hashText(envelopeText),
    bodyText,
  };
}

/** Return what is wrong with an envelope that is not canonical. */
function explain(envelopeText: string): MalformedOperationError {
  const parts = readEnvelopeParts(envelopeText);
  const found = OP_ID.exec(parts.op_id);
  if (found === null) return malformedPart('op_id', parts.op_id, 'device.epoch.counter');
  if (!STREAM.test(parts.stream))
    return malformedPart('stream', parts.stream, 'lower-case letters');
  if (!RECORD.test(parts.record)) return malformedPart('record', parts.record, 'kind/id');
  if (readStamp(parts.stamp) === null) {
    return malformedPart('stamp', parts.stamp, '15 digits, 5 digits, device');
  }
  if (!HASH.test(parts.commitment)) {
    return malformedPart('commitment', parts.commitment, '64 hexadecimal digits');
  }
  const counter = Number(found[3]);
  if (!(counter > 1 ? HASH.test(parts.previous) : parts.previous === '')) {
    return malformedPart(
      'previous',
      parts.previous,
      'the hash before it, empty only for the first',
    );
  }
  return new MalformedOperationError(
    `The envelope of ${parts.op_id} is not in canonical form. Send it as the device wrote it.`,
  );
}
