/**
 * What a device signs: the head of its chain, once a batch. Text alone; keys are elsewhere.
 * Twin of `signing.py`.
 *
 * Every operation names the hash of the one before it, so that one signature over the last hash of
 * a chain vouches for every operation up to it.
 */
import { MalformedOperationError } from './errors';
import type { Operation } from './operation';
import type { Tip } from './operation-log';

const DEVICE = /^[a-z0-9-]{1,32}$/;
const EPOCH = /^[a-z0-9]{4,16}$/;
const HASH = /^[0-9a-f]{64}$/;
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

type Link = Pick<Operation, 'device' | 'epoch' | 'counter' | 'previous' | 'hash'>;

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
