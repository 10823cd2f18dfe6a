/**
 * What is signed: a device's head, once a batch, and the unit's segments. Keys are elsewhere.
 * Twin of `signing.py`.
 *
 * Every operation names the hash of the one before it, so that one signature over the last hash of
 * a chain vouches for every operation up to it. Segments of a stream are bound together likewise:
 * each names where the one before it ends, so that none can be left out between two others.
 */
import { MalformedOperationError } from './errors';
import type { Operation } from './operation';
import type { Tip } from './operation-log';

const DEVICE = /^[a-z0-9-]{1,32}$/;
const EPOCH = /^[a-z0-9]{4,16}$/;
const HASH = /^[0-9a-f]{64}$/;
const STREAM = /^[a-z_]{1,24}$/;
const LARGEST_COUNTER = 999_999_999_999;

/**
 * Return the text that a device signs for one head, ASCII without a closing line end (SG1).
 *
 * @throws MalformedOperationError when a part is none of a head: two different heads never have
 *   the same text
 */
export function writeHeadText(device: string, { epoch, counter, hash }: Tip): string {
  const isSound =
    DEVICE.test(device) &&
    EPOCH.test(epoch) &&
    Number.isInteger(counter) &&
    counter >= 1 &&
    counter <= LARGEST_COUNTER &&
    HASH.test(hash);
  if (!isSound) {
    throw new MalformedOperationError(
      `${device.slice(0, 40)}.${epoch.slice(0, 20)}.${counter} is no head of a log. Sign an operation's own.`,
    );
  }
  return `crura-head\n${device}\n${epoch}\n${counter}\n${hash}`;
}

/** What a chain is made of. */
export type Link = Pick<Operation, 'device' | 'epoch' | 'counter' | 'previous' | 'hash'>;

/** Return the head whose signature vouches for every one of these (SG3), null if no one chain. */
export function findHead(operations: readonly Link[]): Tip | null {
  const last = operations.at(-1);
  if (last === undefined) return null;
  for (const [place, after] of operations.entries()) {
    const before = operations[place - 1];
    if (before === undefined) continue;
    const follows =
      after.device === before.device &&
      after.epoch === before.epoch &&
      after.counter === before.counter + 1 &&
      after.previous === before.hash;
    if (!follows) return null;
  }
  return { epoch: last.epoch, counter: last.counter, hash: last.hash };
}

/** A head of a log and its device's signature over it in base64, as others carry it (SG12). */
export type CarriedHead = readonly [
  device: string,
  epoch: string,
  counter: number,
  hash: string,
  signature: string,
];

/**
 * Return the operations that a signed head vouches for, lowest first (SG11).
 *
 * They are one chain up to the head, which goes on after the tip or, where the device signed another
 * past, begins at a place that is held; none where an operation in between is not here.
 *
 * @param tip - where the log ends by now
 * @param head - place and hash that the log's own device signed
 * @param find - returns the operation of this log with a counter and a hash that is not in the log
 */
export function traceSigned<One extends Link>(
  tip: Tip,
  head: Tip,
  find: (counter: number, hash: string) => One | undefined,
): One[] {
  const chain: One[] = [];
  let { counter, hash } = head;
  while (counter !== tip.counter || hash !== tip.hash) {
    const one = find(counter, hash);
    if (one === undefined) break;
    chain.push(one);
    counter = one.counter - 1;
    hash = one.previous;
  }
  const lowest = chain.at(-1);
  if (lowest === undefined || lowest.counter > tip.counter + 1) return [];
  return chain.reverse();
}

/** A sealed segment of a stream, by receipt numbers; `after` is where the one before it ends. */
export interface SegmentMark {
  /** SHA-256 of its bytes, 64 hexadecimal digits. */
  digest: string;
  stream: string;
  /** Last receipt number of the segment before, 0 for the first segment. */
  after: number;
  first: number;
  last: number;
  operations: number;
}

/**
 * Return the text that a unit server signs for one sealed segment, ASCII (SG10).
 *
 * @throws MalformedOperationError when a part is none of a segment: two different segments never
 *   have the same text
 */
export function writeSegmentText(segment: SegmentMark): string {
  const { digest, stream, after, first, last, operations } = segment;
  const isSound =
    HASH.test(digest) &&
    STREAM.test(stream) &&
    [after, first, last, operations].every((number) => Number.isSafeInteger(number)) &&
    after >= 0 &&
    after < first &&
    first <= last &&
    operations >= 1 &&
    operations <= last - first + 1;
  if (!isSound) {
    throw new MalformedOperationError(
      `${digest.slice(0, 16)} of stream '${stream.slice(0, 24)}' is no segment. Ask for the list again.`,
    );
  }
  return `crura-segment\n${digest}\n${stream}\n${after}\n${first}\n${last}\n${operations}`;
}
