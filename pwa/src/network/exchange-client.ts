/**
 * The exchange with the unit: handshake, push, pull, one round at a time.
 *
 * What to do is decided in `sync/exchange.ts`; this file only asks, stores and says how it went.
 * Nothing here ever changes or removes what was saved on the tablet.
 */
import type { DeviceStanding, ExchangeStanding } from '../ports';
import type { OperationStore, OwnDevice, PulledRow } from '../storage/operation-store';
import { textBytes } from '../sync/canonical-text';
import {
  compareTips,
  cutBatch,
  type Handshake,
  type HandshakeAnswer,
  MAX_BATCH_COUNT,
} from '../sync/exchange';
import type { Tip } from '../sync/operation-log';
import { NoAnswerError, RefusedError, type UnitRequests } from './unit-requests';

/** What the client is given from outside. */
export interface ExchangeSurroundings {
  nowMs(): number;
  newEpoch(): string;
  newDeviceId(): string;
  onRecords(records: string[]): void;
  onStanding(standing: ExchangeStanding): void;
}

interface JoinAnswer {
  device: string;
  token: string;
  role: DeviceStanding['role'];
  unit_name: string;
  streams: string[];
}
interface PushAnswer {
  tip: Tip;
  quarantined: { op_id: string; sentence: string }[];
}
interface PullAnswer {
  operations: PulledRow[];
  next: number;
  more: boolean;
}

export class ExchangeClient {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  readonly #around: ExchangeSurroundings;
  #running: Promise<ExchangeStanding> | null = null;
  #isAskedAgain = false;
  #state: ExchangeStanding['state'];
  #sentence = '';
  #lastDoneMs: number | null = null;
  #failures = 0;

  constructor(store: OperationStore, requests: UnitRequests, around: ExchangeSurroundings) {
    this.#store = store;
    this.#requests = requests;
    this.#around = around;
    this.#state = store.ownDevice()?.token ? 'no-network' : 'alone';
  }

  /** Failed rounds in a row: for the wait before the next. */
  get failures(): number {
    return this.#failures;
  }

  standing(): ExchangeStanding {
    const { count, oldestMs } = this.#store.unsent();
    return {
      state: this.#state,
      unsent: count,
      oldestUnsentMs: oldestMs,
      lastDoneMs: this.#lastDoneMs,
      sentence: this.#sentence || this.#store.notice(),
    };
  }

  /** Run one round; a call during a round runs one more after it and waits for that. */
  run(): Promise<ExchangeStanding> {
    if (this.#running !== null) {
      this.#isAskedAgain = true;
      return this.#running;
    }
    this.#running = this.#rounds().finally(() => {
      this.#running = null;
    });
    return this.#running;
  }

  /** Join a unit by an invitation code; keeps the device id and everything saved before. */
  async join(
    code: string,
    name: string,
  ): Promise<{ kind: 'joined'; own: OwnDevice } | { kind: 'refused'; sentence: string }> {
    const before = this.#store.ownDevice();
    const device = before?.device ?? this.#around.newDeviceId();
    try {
      const answer = await this.#requests.post<JoinAnswer>('/api/devices', before?.token ?? null, {
        code,
        device,
        name,
      });
      const own: OwnDevice = {
        device: answer.device,
        role: answer.role,
        token: answer.token,
        unitName: answer.unit_name,
        streams: answer.streams,
      };
      this.#store.becomeDevice(own, this.#around.newEpoch());
      this.#tell('exchanging', '');
      return { kind: 'joined', own };
    } catch (error) {
      if (error instanceof RefusedError) return { kind: 'refused', sentence: error.message };
      if (!(error instanceof NoAnswerError)) throw error;
      return {
        kind: 'refused',
        sentence:
          'The unit did not answer. Check the network, then open the join link again; this device can work alone until then.',
      };
    }
  }

  async #rounds(): Promise<ExchangeStanding> {
    do {
      this.#isAskedAgain = false;
      await this.#round();
    } while (this.#isAskedAgain && this.#failures === 0);
    return this.standing();
  }

  async #round(): Promise<void> {
    const own = this.#store.ownDevice();
    if (own === null || own.token === null) {
      this.#tell('alone', '');
      return;
    }
    this.#tell('exchanging', '');
    try {
      const trouble = await this.#exchange(own, own.token);
      this.#failures = 0;
      this.#lastDoneMs = this.#around.nowMs();
      this.#tell(trouble === '' ? 'resting' : 'needs-a-person', trouble);
    } catch (error) {
      this.#failures += 1;
      if (error instanceof NoAnswerError) this.#tell('no-network', '');
      else if (error instanceof RefusedError) this.#tell('refused', error.message);
      else {
        const why = error instanceof Error ? error.message : String(error);
        this.#tell('needs-a-person', `The exchange stopped (${why}). What was saved is safe.`);
      }
    }
  }

  /** Return a sentence for a person, "" when all went well. */
  async #exchange(own: OwnDevice, token: string): Promise<string> {
    let heads: Record<string, number> = {};
    let refusal = '';
    for (const epoch of this.#store.epochsToExchange()) {
      const answer = await this.#handshake(own, token, epoch);
      heads = answer.heads;
      this.#noteServer(answer);
      const outcome = await this.#settleEpoch(own, token, epoch, answer);
      if (outcome !== '') refusal = outcome;
    }
    for (const stream of own.streams) await this.#pullStream(own, token, stream, heads[stream]);
    return refusal || this.#standingTrouble();
  }

  #handshake(own: OwnDevice, token: string, epoch: string): Promise<HandshakeAnswer> {
    const handshake: Handshake = {
      device: own.device,
      tip: this.#store.tipOf(epoch),
      cursors: this.#store.cursors(),
      catalogue: this.#store.catalogue.version,
      wall_ms: this.#around.nowMs(),
    };
    return this.#requests.post('/api/exchange/handshake', token, handshake);
  }

  /** A server that began anew, or was put back, counts its receipts anew: read all again. */
  #noteServer(answer: HandshakeAnswer): void {
    if (this.#store.noteServer(answer.server)) this.#store.resetCursors();
    const cursors = this.#store.cursors();
    for (const [stream, head] of Object.entries(answer.heads)) {
      if ((cursors[stream] ?? 0) > head) this.#store.resetCursors(stream);
    }
  }

  async #settleEpoch(
    own: OwnDevice,
    token: string,
    epoch: string,
    answer: HandshakeAnswer,
  ): Promise<string> {
    const tip = this.#store.tipOf(epoch);
    const comparison = compareTips(tip, answer, this.#store.ownHashAt(epoch, answer.tip.counter));
    switch (comparison.standing) {
      case 'in_step':
        this.#store.noteHeldByUnit(epoch, tip.counter);
        return '';
      case 'device_behind':
        // An older copy of this tablet: go on in a new epoch and ask for what is missing (EX4).
        this.#store.noteHeldByUnit(epoch, tip.counter);
        this.#store.beginRecovery(this.#around.newEpoch(), epoch);
        return '';
      case 'fork':
        this.#store.markForked(epoch, this.#around.newEpoch());
        return '';
      case 'send':
        // A unit that held more before was put back to an older copy: its receipts begin anew.
        if (answer.tip.counter < this.#store.heldByUnit(epoch)) this.#store.resetCursors();
        this.#store.noteHeldByUnit(epoch, answer.tip.counter);
        return this.#push(own, token, epoch, comparison.sendFrom);
    }
  }

  async #push(own: OwnDevice, token: string, epoch: string, from: number): Promise<string> {
    let next = from;
    for (;;) {
      const waiting = this.#store.ownOperations(epoch, next, MAX_BATCH_COUNT);
      if (waiting.length === 0) return '';
      const sizes = waiting.map(([envelope, body]) => envelope.length + textBytes(body).length);
      const operations = waiting.slice(0, cutBatch(sizes));
      let answer: PushAnswer;
      try {
        answer = await this.#requests.post('/api/exchange/push', token, {
          device: own.device,
          operations,
        });
      } catch (error) {
        // A refused batch must not keep others' entries from this tablet: the pull goes on.
        if (error instanceof RefusedError && error.status === 422) return error.message;
        throw error;
      }
      for (const { op_id: opId, sentence } of answer.quarantined) {
        const counter = Number(opId.split('.').at(-1));
        const [envelope = '', body = null] = operations[counter - next] ?? [];
        this.#store.setAside('unit', opId, envelope, body, sentence, this.#around.nowMs());
      }
      if (answer.tip.epoch !== epoch || answer.tip.counter < next) {
        return 'The unit took nothing in and gave no reason. Everything is kept on this tablet; ask the data manager.';
      }
      this.#store.noteHeldByUnit(epoch, answer.tip.counter);
      this.#tell('exchanging', '');
      next = answer.tip.counter + 1;
    }
  }

  async #pullStream(
    own: OwnDevice,
    token: string,
    stream: string,
    head: number | undefined,
  ): Promise<void> {
    const ownToo = this.#store.isRecovering() ? '&own=1' : '';
    if (ownToo === '' && head !== undefined && head <= (this.#store.cursors()[stream] ?? 0)) return;
    for (;;) {
      const after = this.#store.cursors()[stream] ?? 0;
      const page = await this.#requests.get<PullAnswer>(
        `/api/exchange/pull?stream=${stream}&after=${after}&limit=${MAX_BATCH_COUNT}${ownToo}`,
        token,
      );
      const touched = this.#store.applyPulled(
        stream,
        page.operations,
        page.next,
        this.#around.nowMs(),
      );
      if (touched.length > 0) this.#around.onRecords(touched);
      if (!page.more || page.next <= after) break;
    }
    if (stream === own.streams.at(-1)) this.#store.endRecovery();
  }

  #standingTrouble(): string {
    if (this.#store.hasForkedEpoch()) {
      return 'Two devices have written as this one (a copied or restored tablet). New entries are exchanged; entries that only this tablet holds are kept here. Tell the data manager.';
    }
    const { count, sentence } = this.#store.quarantined();
    if (count === 0) return '';
    return `${count === 1 ? '1 entry was' : `${count} entries were`} set aside for the data manager: ${sentence}`;
  }

  #tell(state: ExchangeStanding['state'], sentence: string): void {
    this.#state = state;
    this.#sentence = sentence;
    this.#around.onStanding(this.standing());
  }
}
