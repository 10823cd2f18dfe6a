/**
 * A unit in memory that speaks the exchange of the real one, for the tests alone.
 *
 * It decides with the same pure core and keeps to the wire format; what the real server refuses
 * beyond that is tested against the real server.
 */

import type { Alarms, PlanChecks } from '../ports';
import { ForgedOperationError } from '../sync/errors';
import { type Handshake, type LastRead, MAX_BATCH_COUNT } from '../sync/exchange';
import { type Operation, readOperation, writeEnvelope } from '../sync/operation';
import { placeOperation, type Tip } from '../sync/operation-log';
import { digestRows, type Row, readRows, writeRows } from '../sync/wire';
import type { Fetch } from './unit-requests';

interface Received {
  seq: number;
  operation: Operation;
}

export class MemoryUnit {
  server = 'server-1';
  wallMs = 0;
  /** How many nonces were handed out; the real server checks what is signed under them. */
  nonces = 0;
  /** Whether who joins has to wait for a person. */
  isWaiting = false;
  received: Received[] = [];
  tokens = new Map<string, string>();
  /** Op ids to set aside when they come. */
  poison = new Set<string>();
  /** Op ids of which the body is withheld, and before which entry who read on is sent back (EX23). */
  withheld = new Set<string>();
  tellsAgainAfter: number | null = null;
  /** What to do with the next requests, first one first: nothing, or lose the answer after work. */
  troubles: ('lose-request' | 'lose-answer' | 'answer-503')[] = [];
  pushes: number[] = [];
  /** What each pull asked for: a stream, or one record. */
  pulls: string[] = [];
  resupplied: string[] = [];
  /** Pulls and pushes in the order in which they came. */
  order: string[] = [];
  /** What a device that joins may read. */
  role: 'bedside' | 'booking' = 'bedside';
  streams = ['care', 'booking', 'unit'];
  planChecks: PlanChecks = { plans: [], agreed: 0, waiting: 0 };
  decisions: Alarms = { alarms: [], seen_to: [] };
  /** False for a unit of an older release, which knows the long form alone. */
  rows = true;
  /** In which form each batch and page went. */
  forms: ('rows' | 'long')[] = [];
  /** Changes an answer on its way. */
  garble: (text: string) => string = (text) => text;

  /** Forget everything received after a receipt number, as a restored copy has. */
  putBackTo(seq: number): void {
    this.received = this.received.filter((one) => one.seq <= seq);
  }

  fetch: Fetch = async (path, init) => {
    const trouble = this.troubles.shift();
    if (trouble === 'lose-request') throw new TypeError('Failed to fetch');
    if (trouble === 'answer-503') return new Response('busy', { status: 503 });
    const content = init.body ? await readContent(init) : {};
    const answer = this.#answer(new URL(path, 'http://unit.test'), content, init);
    if (trouble === 'lose-answer') throw new TypeError('Failed to fetch');
    return new Response(this.garble(await answer.text()), { status: answer.status });
  };

  #answer(url: URL, content: Record<string, unknown>, init: RequestInit): Response {
    const bearer = (init.headers as Record<string, string>).Authorization ?? '';
    const device = this.tokens.get(bearer.replace('Bearer ', ''));
    if (url.pathname === '/api/nonces') return reply(200, { nonces: [`nonce-${++this.nonces}`] });
    if (url.pathname === '/api/devices') return this.#join(content);
    if (device === undefined) return problem(401, 'This device is not known here. Join it again.');
    switch (url.pathname) {
      case '/api/exchange/handshake':
        return this.#handshake(content as unknown as Handshake, device);
      case '/api/exchange/push':
        return this.#push(content, device);
      case '/api/exchange/resupply':
        return this.#resupply(content, device);
      case '/api/exchange/pull':
        return this.#pull(url.searchParams, device);
      case '/api/plan-checks':
        return reply(200, this.planChecks);
      case '/api/decisions':
        return reply(200, this.decisions);
      default:
        return problem(404, 'No such place.');
    }
  }

  #join({ code, device }: Record<string, unknown>): Response {
    if (code !== 'GOOD') return problem(403, 'This code is not known. Ask for a new one.');
    const token = `token-of-${device}`;
    this.tokens.set(token, String(device));
    const { role, streams } = this;
    const waits = this.isWaiting && { is_waiting: true };
    return reply(201, { device, token, role, unit_name: 'Test unit', streams, ...waits });
  }

  #tipOf(device: string, epoch: string): Tip {
    const last = this.received.findLast(
      ({ operation }) => operation.device === device && operation.epoch === epoch,
    )?.operation;
    return { epoch, counter: last?.counter ?? 0, hash: last?.hash ?? '' };
  }

  #held(device: string, epoch: string, counter: number): Operation | undefined {
    if (counter > this.#tipOf(device, epoch).counter) return undefined;
    return this.received.find(
      ({ operation: one }) =>
        one.device === device && one.epoch === epoch && one.counter === counter,
    )?.operation;
  }

  #handshake({ tip, last_read: lastRead }: Handshake, device: string): Response {
    if (lastRead !== undefined && !this.rows) return problem(400, 'last_read is not known here.');
    const held = this.#held(device, tip.epoch, tip.counter);
    const heads: Record<string, number> = { care: 0, booking: 0, unit: 0 };
    for (const { seq, operation } of this.received) heads[operation.stream] = seq;
    return reply(200, {
      server: this.server,
      tip: this.#tipOf(device, tip.epoch),
      hash_at_device_tip: held?.hash ?? null,
      heads: this.tellsAgainAfter === null ? heads : {},
      epochs: Object.fromEntries(
        this.received
          .filter(({ operation }) => operation.device === device)
          .map(({ operation }) => [operation.epoch, operation.counter]),
      ),
      wall_ms: this.wallMs,
      ...(this.rows && { rows: true, last_read: this.#compare(lastRead ?? {}, device) }),
    });
  }

  #compare(stated: Record<string, LastRead>, device: string): 'agrees' | 'differs' {
    const differs = Object.entries(stated).some(([stream, { after, hash }]) => {
      const last = this.received.findLast(
        ({ seq, operation }) =>
          seq <= after && operation.stream === stream && operation.device !== device,
      );
      return last !== undefined && last.operation.hash !== hash;
    });
    return differs ? 'differs' : 'agrees';
  }

  /** Return what a request brings, in either form; null when rows are not what was sent. */
  #sent(content: Record<string, unknown>, device: string): Operation[] | null {
    const { operations, rows, digest } = content as {
      operations?: [string, string][];
      rows?: Row[];
      digest?: string;
    };
    this.forms.push(rows === undefined ? 'long' : 'rows');
    if (rows === undefined) return (operations ?? []).map((texts) => this.#read(texts));
    try {
      return readRows(rows, digest ?? '', device);
    } catch {
      return null;
    }
  }

  /** Read one operation; a forged one is set aside alone, as the real unit does (EX6). */
  #read([envelope, body]: [string, string]): Operation {
    try {
      return readOperation(envelope, body);
    } catch (error) {
      if (!(error instanceof ForgedOperationError)) throw error;
      const operation = readOperation(envelope, null);
      this.poison.add(operation.opId);
      return operation;
    }
  }

  #push(content: Record<string, unknown>, device: string): Response {
    const operations = this.#sent(content, device);
    if (operations === null) return problem(422, 'The batch is not what its digest says.');
    this.pushes.push(operations.length);
    this.order.push('push');
    const quarantined: { op_id: string; sentence: string }[] = [];
    let epoch = '';
    for (const operation of operations) {
      epoch = operation.epoch;
      const held = this.#held(device, epoch, operation.counter);
      const place = placeOperation(this.#tipOf(device, epoch), operation, held?.hash ?? null);
      if (place === 'held') continue;
      if (place !== 'next') return problem(422, `${operation.opId} leaves a ${place}.`);
      if (this.poison.has(operation.opId)) {
        quarantined.push({ op_id: operation.opId, sentence: 'It was set aside.' });
      }
      this.#receive(operation);
    }
    return reply(200, { tip: this.#tipOf(device, epoch), quarantined });
  }

  #resupply(content: Record<string, unknown>, device: string): Response {
    const { logs = [] } = content as { logs?: [string, string][] };
    const operations = this.#sent(content, device);
    if (operations === null) return problem(422, 'The batch is not what its digest says.');
    for (const operation of operations) {
      if (operation.device === device) return problem(403, `${operation.opId} is your own.`);
      const { device: origin, epoch, counter } = operation;
      const held = this.#held(origin, epoch, counter);
      const tip = this.#tipOf(origin, epoch);
      if (placeOperation(tip, operation, held?.hash ?? null) !== 'next') continue;
      this.resupplied.push(operation.opId);
      this.#receive(operation);
    }
    const held = logs.map(([origin, epoch]) => {
      return { device: origin, epoch, counter: this.#tipOf(origin, epoch).counter };
    });
    return reply(200, { held, waiting: 0, quarantined: [] });
  }

  #receive(operation: Operation): void {
    this.received.push({ seq: (this.received.at(-1)?.seq ?? 0) + 1, operation });
  }

  #pull(asked: URLSearchParams, device: string): Response {
    const after = Number(asked.get('after'));
    const limit = Math.min(Number(asked.get('limit')), MAX_BATCH_COUNT);
    const record = asked.get('record');
    this.pulls.push(record ?? String(asked.get('stream')));
    this.order.push(`pull ${this.pulls.at(-1)}`);
    const stream = this.received.filter(
      ({ seq, operation }) =>
        seq > after &&
        operation.stream === asked.get('stream') &&
        (record === null || operation.record === record || isUnder(operation, record)),
    );
    const before = this.tellsAgainAfter;
    if (before !== null && after <= before) this.tellsAgainAfter = null;
    const isSentBack = before !== null && after > before;
    const page = isSentBack ? [] : stream.slice(0, limit);
    const handed = page
      .filter(
        ({ operation }) =>
          !this.poison.has(operation.opId) &&
          (operation.device !== device || asked.get('own') === '1'),
      )
      .map((one) =>
        this.withheld.has(one.operation.opId)
          ? { ...one, operation: { ...one.operation, bodyText: null } }
          : one,
      );
    const next = isSentBack ? before : (page.at(-1)?.seq ?? after);
    const more = !isSentBack && stream.length > page.length;
    const isInRows = this.rows && asked.get('rows') === '1';
    this.forms.push(isInRows ? 'rows' : 'long');
    if (isInRows) {
      const operations = handed.map(({ operation }) => operation);
      const said = [asked.get('stream') ?? '', `${after}`, `${next}`, more ? 'more' : 'end'];
      const digest = digestRows(operations, ...said);
      return reply(200, { rows: writeRows(operations), digest, next, more });
    }
    const operations = handed.map(({ seq, operation }) => {
      return [seq, writeEnvelope(operation), operation.bodyText];
    });
    return reply(200, { operations, next, more });
  }
}

/** The tests' records name their case in the body; that is all the kinship there is here. */
function isUnder({ bodyText }: Operation, record: string): boolean {
  return bodyText?.includes(`"case":"${record}"`) ?? false;
}

async function readContent(init: RequestInit): Promise<Record<string, unknown>> {
  let text = init.body as string | ArrayBuffer;
  if (typeof text !== 'string') {
    const stream = new Blob([text]).stream().pipeThrough(new DecompressionStream('gzip'));
    text = await new Response(stream).text();
  }
  return JSON.parse(text) as Record<string, unknown>;
}

function reply(status: number, content: unknown): Response {
  return new Response(JSON.stringify(content), { status });
}

function problem(status: number, detail: string): Response {
  return reply(status, { title: 'Refused', detail, status });
}
