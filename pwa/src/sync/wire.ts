/**
 * Operations as they travel in rows: what follows from the row before is left out. Twin of
 * `wire.py`.
 *
 * Two hashes of each operation do not compress, and both follow: the commitment is the hash of the
 * body that travels along, and `previous` is the hash of the operation before. The receiver builds
 * the exact texts again and compares all of them with one digest.
 */
import { ChangedBatchError, SyncError } from './errors';
import { hashText, type Operation, readOperation, writeEnvelope } from './operation';

/** What a row counts beside its body when a batch is cut (EX17). */
export const ROW_BYTES = 64;
/** No two stamps of 15 digits lie further apart. */
const STEP_BOUND = 10 ** 15;

/**
 * One operation without what follows; "" where it does (EX16).
 *
 * Body: exact text, null when it is withheld. Stamp: milliseconds since the stamp of the row
 * before, or the stamp where that does not give it. Commitment: "" where the body travels.
 */
export type Row = readonly [
  body: string | null,
  record: string,
  stamp: number | string,
  opId: string,
  previous: string,
  stream: string,
  commitment: string,
];

/** The operation before the next one of its log. */
interface End {
  counter: number;
  hash: string;
}

/** Return operations as rows; `readRows` gives the same back (EX16). Checks nothing. */
export function writeRows(operations: readonly Operation[]): Row[] {
  let [record, stream, nextId] = ['', '', ''];
  let [wallMs, ticks] = [0, 0];
  const ends = new Map<string, End>();
  return operations.map((one) => {
    const log = `${one.device}.${one.epoch}`;
    const end = ends.get(log);
    const isNext = end?.counter === one.counter - 1 && end.hash === one.previous;
    const step = Number(one.stamp.slice(0, 15)) - wallMs;
    const isStep = one.stamp === writeStampAfter(wallMs, ticks, step, one.device);
    const row: Row = [
      one.bodyText,
      one.record === record ? '' : one.record,
      isStep ? step : one.stamp,
      one.opId === nextId ? '' : one.opId,
      isNext ? '' : one.previous,
      one.stream === stream ? '' : one.stream,
      one.bodyText === null ? one.commitment : '',
    ];
    [record, stream, nextId] = [one.record, one.stream, `${log}.${one.counter + 1}`];
    [wallMs, ticks] = [Number(one.stamp.slice(0, 15)), Number(one.stamp.slice(16, 21))];
    ends.set(log, { counter: one.counter, hash: one.hash });
    return row;
  });
}

/**
 * Return the operations that rows were written from. Twin of `read_rows`.
 *
 * @param digest - what `digestRows` gave where the rows were written
 * @param said - what else the message says and the digest covers, in the same order
 * @throws ChangedBatchError when a row builds no operation, or not what was sent: nothing of the
 *   batch may be taken in, and the long form shows which operation it is (EX17)
 */
export function readRows(rows: readonly Row[], digest: string, ...said: string[]): Operation[] {
  const operations: Operation[] = [];
  let [record, stream, log] = ['', '', ''];
  let [place, wallMs, ticks] = [0, 0, 0];
  const ends = new Map<string, End>();
  for (const row of rows) {
    try {
      requireParts(row);
      const opId = row[3] || `${log}.${place + 1}`;
      const dot = opId.lastIndexOf('.');
      log = opId.slice(0, Math.max(dot, 0));
      const end = ends.get(log);
      const isNext = end !== undefined && opId.slice(dot + 1) === String(end.counter + 1);
      const previous = row[4] || (isNext ? end.hash : '');
      record = row[1] || record;
      stream = row[5] || stream;
      const device = log.slice(0, Math.max(log.indexOf('.'), 0));
      const stamp =
        typeof row[2] === 'string' ? row[2] : writeStampAfter(wallMs, ticks, row[2], device);
      const commitment = row[0] === null ? row[6] : hashText(row[0]);
      const envelope = writeEnvelope({ opId, previous, stream, record, stamp, commitment });
      const operation = readOperation(envelope, row[0], commitment);
      place = operation.counter;
      [wallMs, ticks] = [Number(stamp.slice(0, 15)), Number(stamp.slice(16, 21))];
      ends.set(log, { counter: place, hash: operation.hash });
      operations.push(operation);
    } catch (error) {
      if (!(error instanceof SyncError)) throw error;
      throw new ChangedBatchError(
        `Operation ${operations.length + 1} of the batch cannot be built (${error.message}) ` +
          'Send the batch in the long form.',
      );
    }
  }
  if (digestRows(operations, ...said) !== digest) {
    throw new ChangedBatchError(
      'The batch is not what its digest says: it was changed after it was written. Send it in ' +
        'the long form.',
    );
  }
  return operations;
}

/**
 * Return SHA-256 over what a message says and the hash of each operation, a line each (EX17).
 *
 * Over each one and not the last alone: in a page of one stream a log has gaps, and a hash vouches
 * for what lies before it only where nothing was left out.
 */
export function digestRows(operations: readonly Pick<Operation, 'hash'>[], ...said: string[]) {
  return hashText([...said, ...operations.map((one) => one.hash)].join('\n'));
}

/** What JSON brings has no types yet. */
function requireParts(row: Row): void {
  const [body, record, stamp, ...texts] = row as readonly unknown[];
  const isSound =
    (body === null || typeof body === 'string') &&
    (typeof stamp === 'string' ||
      (Number.isInteger(stamp) && Math.abs(stamp as number) < STEP_BOUND)) &&
    texts.length === 4 &&
    [record, ...texts].every((text) => typeof text === 'string');
  if (!isSound) throw new ChangedBatchError('The row has other parts than a row has.');
}

/** Return the stamp so many milliseconds after another: within one the counter rises (HC3). */
function writeStampAfter(wallMs: number, ticks: number, step: number, device: string): string {
  const counter = step === 0 ? ticks + 1 : 0;
  return `${String(wallMs + step).padStart(15, '0')}.${String(counter).padStart(5, '0')}.${device}`;
}
