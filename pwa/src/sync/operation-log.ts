/** Logs: one chain of operations per device and epoch; twin of `sync/operation_log.py`. */
import { BrokenChainError } from './errors';
import type { Operation } from './operation';

/** Where a log ends: the counter of its last operation (0 when empty) and that one's hash. */
export interface Tip {
  epoch: string;
  counter: number;
  hash: string;
}

export type OperationPlace = 'next' | 'held' | 'gap' | 'fork';

/**
 * Say where an operation stands to the log of its device and epoch (LG1-LG4).
 *
 * @param heldHash - hash held at the operation's own counter, null when nothing is held there
 */
export function placeOperation(
  tip: Tip | null,
  operation: Operation,
  heldHash: string | null,
): OperationPlace {
  if (heldHash !== null) return heldHash === operation.hash ? 'held' : 'fork';
  if (operation.counter !== (tip?.counter ?? 0) + 1) return 'gap';
  return operation.previous === (tip?.hash ?? '') ? 'next' : 'fork';
}

/**
 * Walk one device's log from its first operation and return its tip.
 *
 * @throws BrokenChainError naming the first operation that does not continue the one before it
 */
export function verifyChain(operations: Iterable<Operation>): Tip | null {
  let tip: Tip | null = null;
  for (const operation of operations) {
    const place = placeOperation(tip, operation, null);
    if (place !== 'next') {
      throw new BrokenChainError(
        `${operation.opId} does not continue the log before it (${place}). ` +
          'Everything before it is sound; restore from there and exchange again.',
      );
    }
    tip = { epoch: operation.epoch, counter: operation.counter, hash: operation.hash };
  }
  return tip;
}
