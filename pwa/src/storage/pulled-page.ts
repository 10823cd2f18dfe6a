/** One page of a pull, taken in by the rules of the exchange. */
import { type Operation, writeEnvelope } from '../sync/operation';
import { placeOperation } from '../sync/operation-log';
import { tell } from '../told';
import { Intake } from './intake';
import { deleteOperation, heldHash, operationAt } from './operation-rows';
import type { SignedHeads, UnitCopy } from './unit-copy';

/** One operation as it travels: receipt number, envelope, body. */
export type PulledRow = readonly [seq: number, envelope: string, body: string | null];
/** Texts that are still to be read, or an operation that was. */
export type PulledOperation = PulledRow | Operation;

/**
 * Take in one page: operations and cursor in one transaction (EX7).
 *
 * @param next - receipt number up to which the stream has been read then
 * @param signed - heads that came with it, null from a unit that hands out none (SG12)
 * @returns the records whose state may have changed
 */
export function takeInPage(
  store: UnitCopy,
  stream: string,
  rows: readonly PulledOperation[],
  next: number,
  wallMs: number,
  signed: SignedHeads | null = null,
): string[] {
  return store.database.transaction(() => {
    if (signed !== null) store.keepHeads(stream, signed);
    const own = store.ownDevice()?.device ?? '';
    const intake = new Intake(store.database, store.catalogue, wallMs);
    let last: Operation | null = null;
    let isLastSound = true;
    for (const row of rows) {
      const operation =
        'opId' in row ? intake.accept(row, stream) : intake.read(row[1], row[2], stream);
      isLastSound = operation !== null;
      if (operation !== null && operation.device !== own) last = operation;
      if (operation === null || !takeIn(store, intake, operation, own)) continue;
      intake.notice(operation, false);
    }
    const touched = intake.close();
    // A page of one case is out of the order of the stream and moves no cursor.
    if (last !== null && isLastSound && next > (store.cursors()[stream] ?? 0)) {
      store.noteLastRead(stream, { after: next, hash: last.hash });
    }
    store.database.exec(
      `INSERT INTO cursor (stream, after) VALUES (?, ?)
       ON CONFLICT (stream) DO UPDATE SET after = excluded.after`,
      [stream, next],
    );
    return touched;
  });
}

/** Return whether the operation, or its body, was new. */
function takeIn(store: UnitCopy, intake: Intake, operation: Operation, own: string): boolean {
  const { device, epoch, counter } = operation;
  const held = heldHash(store.database, device, epoch, counter);
  if (held !== null) {
    // A pull is partial (LG2 cannot be asked), but a second past under one id is a fork (LG4).
    if (placeOperation(null, operation, held) !== 'fork') return intake.fillIn(operation);
    if (device === own) {
      store.noteHeldByUnit(epoch, 0);
      return false;
    }
    if (!store.hasKnownPutBack() && !store.hasTakenFile()) {
      intake.setForkAside(operation);
      return false;
    }
    takeInstead(store, intake, operation);
    return true;
  }
  if (device === own) {
    const before = heldHash(store.database, device, epoch, counter - 1);
    const isUnsent = store.tipOf(epoch).counter > store.heldByUnit(epoch);
    if (before === null ? isUnsent : before !== operation.previous) {
      // It follows the other branch of a fork: the next handshake settles that first (EX9).
      store.noteHeldByUnit(epoch, 0);
      return false;
    }
    noteOwnReturn(store, operation);
  }
  intake.insert(operation);
  return true;
}

/**
 * A unit that was put back, or to a tablet that took in a file (BU7), holds another version: it takes
 * the place, the one before is kept.
 */
function takeInstead(store: UnitCopy, intake: Intake, operation: Operation): void {
  const { device, opId } = operation;
  const before = operationAt(store.database, operation);
  if (before !== null) {
    const sentence = tell('twoVersionsAtUnit', { device, entry: opId });
    intake.setAside(opId, writeEnvelope(before), before.bodyText, sentence);
    deleteOperation(store.database, operation);
    intake.touch(before.record);
  }
  intake.insert(operation);
}

/**
 * An own operation that only the unit still held: this store is an older copy. Where the unit may
 * not hold all before it, the next handshake still has to ask.
 */
function noteOwnReturn(store: UnitCopy, { epoch, counter, hash }: Operation): void {
  store.database.exec(
    `INSERT INTO own_epoch (epoch, counter, hash, held_by_unit) VALUES (?, ?, ?, ?)
     ON CONFLICT (epoch) DO UPDATE SET
       hash = CASE WHEN excluded.counter > counter THEN excluded.hash ELSE hash END,
       held_by_unit = CASE WHEN held_by_unit < counter THEN held_by_unit
         ELSE max(held_by_unit, excluded.counter) END,
       counter = max(counter, excluded.counter)`,
    [epoch, counter, hash, counter],
  );
}
