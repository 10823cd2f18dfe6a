/**
 * Carries operations to the unit and back: in rows where the unit reads them, else in the long
 * form (EX18).
 *
 * Rows that do not build what was sent say nothing of which operation is bad. The same batch then
 * goes once in the long form, in which a single one is set aside alone (EX17).
 */
import type { PulledRow } from '../storage/operation-store';
import { byteLength } from '../sync/canonical-text';
import { ChangedBatchError } from '../sync/errors';
import { cutBatch, type HandshakeAnswer } from '../sync/exchange';
import { type Operation, readOperation, writeEnvelope } from '../sync/operation';
import type { CarriedHead } from '../sync/signing';
import { digestRows, ROW_BYTES, type Row, readRows, writeRows } from '../sync/wire';
import { RefusedError, type UnitRequests } from './unit-requests';

/** A page of a stream: verified operations from rows, or texts that are still to be read. */
export interface Page {
  operations: readonly (PulledRow | Operation)[];
  next: number;
  more: boolean;
  /** Heads that others signed over them, where they were asked for (SG12). */
  heads?: readonly CarriedHead[];
}
interface RowPage {
  rows: Row[];
  digest: string;
  next: number;
  more: boolean;
  heads?: readonly CarriedHead[];
}
/** What a page is asked for by; `stream` and `after` are covered by its digest. */
export interface PageQuery {
  stream: string;
  after: number;
  limit: number;
  own?: 1;
  record?: string;
  heads?: 'page' | 'all';
}

const UNPROCESSABLE = 422;
/** Few enough that little is read that the batch does not hold. */
const READ_AT_ONCE = 64;

export class OperationCarrier {
  readonly #requests: UnitRequests;
  #readsRows = false;

  constructor(requests: UnitRequests) {
    this.#requests = requests;
  }

  /** Learn from a handshake whether the unit reads and writes rows. */
  takeNotice({ rows = false }: HandshakeAnswer): void {
    this.#readsRows = rows;
  }

  /**
   * Fill a batch of so many bytes (EX5, EX17).
   *
   * @param readOn - returns operations of a log after a counter, so many at most
   */
  fill(
    after: number,
    mostBytes: number,
    readOn: (after: number, limit: number) => readonly Operation[],
  ): Operation[] {
    const waiting: Operation[] = [];
    const sizes: number[] = [];
    for (;;) {
      const read = readOn(waiting.at(-1)?.counter ?? after, READ_AT_ONCE);
      waiting.push(...read);
      sizes.push(...read.map((one) => this.#sizeOf(one)));
      const fitting = cutBatch(sizes, mostBytes);
      if (fitting < waiting.length || read.length < READ_AT_ONCE) return waiting.slice(0, fitting);
    }
  }

  #sizeOf(one: Operation): number {
    const beside = this.#readsRows ? ROW_BYTES : writeEnvelope(one).length;
    return beside + byteLength(one.bodyText ?? '');
  }

  /**
   * Send operations in one request.
   *
   * @param sayOf - returns what the request says beside them, such as a signature over their head
   */
  async send<Answer>(
    path: string,
    token: string,
    device: string,
    operations: readonly Operation[],
    sayOf: (operations: readonly Operation[]) => Promise<Record<string, unknown>>,
  ): Promise<Answer> {
    if (this.#readsRows) {
      const digest = digestRows(operations, device);
      const said = await sayOf(operations);
      const content = { device, rows: writeRows(operations), digest, ...said };
      try {
        return await this.#requests.post<Answer>(path, token, content);
      } catch (error) {
        if (!(error instanceof RefusedError) || error.status !== UNPROCESSABLE) throw error;
      }
    }
    // Hashes anew: what is not as it was written is not signed.
    const read = operations.map((one) => readOperation(writeEnvelope(one), null));
    return this.#requests.post<Answer>(path, token, {
      device,
      operations: operations.map((one) => [writeEnvelope(one), one.bodyText ?? '']),
      ...(await sayOf(read)),
    });
  }

  /** Ask for one page of a stream, or of one record in it. */
  async page(token: string, query: PageQuery): Promise<Page> {
    const asked = new URLSearchParams(Object.entries(query).map(([key, one]) => [key, `${one}`]));
    const path = '/api/exchange/pull?';
    if (this.#readsRows) {
      const answer = await this.#requests.get<RowPage | Page>(`${path}${asked}&rows=1`, token);
      const operations = readAnswer(answer, query);
      if (operations !== null) return { ...answer, operations };
    }
    return this.#requests.get<Page>(`${path}${asked}`, token);
  }
}

/** Return the operations of an answer; null when its rows are not what was sent. */
function readAnswer(
  answer: RowPage | Page,
  { stream, after }: PageQuery,
): Page['operations'] | null {
  if ('operations' in answer) return answer.operations;
  const { rows, digest, next, more } = answer;
  try {
    return readRows(rows, digest, stream, `${after}`, `${next}`, more ? 'more' : 'end');
  } catch (error) {
    if (!(error instanceof ChangedBatchError)) throw error;
    return null;
  }
}
