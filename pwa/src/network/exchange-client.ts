/**
 * The exchange with the unit, one round at a time.
 *
 * What to do is decided in `sync/exchange-machine.ts`; this file carries its messages to the unit
 * and to the store, and says how it went. Nothing here ever changes what was saved on the tablet.
 */
import type { ExchangeStanding } from '../ports';
import type { OperationStore, OwnDevice } from '../storage/operation-store';
import type { Handshake, HandshakeAnswer } from '../sync/exchange';
import { RESTING, stepExchange } from '../sync/exchange-machine';
import type { Heard, Said, StoreChange, UnitRequest } from '../sync/exchange-messages';
import { writeEnvelope } from '../sync/operation';
import type { Tip } from '../sync/operation-log';
import { tell, whyOf } from '../told';
import { digitsOf, type Joining, joinUnit } from './joining';
import { OperationCarrier } from './operation-carrier';
import { isKeyLost, type Signer, settleLostKey, signBatch } from './push-signing';
import { counterOf, Resupply } from './resupply';
import { NoAnswerError, RefusedError, type UnitRequests } from './unit-requests';

/** What the client is given from outside. */
export interface ExchangeSurroundings {
  nowMs(): number;
  newEpoch(): string;
  newDeviceId(): string;
  /** Record of the case on screen, "" for none: its entries come first. */
  openCase?(): string;
  /** What this device signs with; left out or null where the browser gives no key. */
  signer?: Signer | null;
  onRecords(records: string[]): void;
  onStanding(standing: ExchangeStanding): void;
}

interface PushAnswer {
  tip: Tip;
  quarantined: { op_id: string; sentence: string }[];
}

const WAITING_PROBLEM = '/problems/device-waiting';

type Finish = Extract<Said, { kind: 'finish' }>;

export class ExchangeClient {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  readonly #carrier: OperationCarrier;
  readonly #around: ExchangeSurroundings;
  #running: Promise<ExchangeStanding> | null = null;
  #isAskedAgain = false;
  #state: ExchangeStanding['state'];
  #sentence = '';
  #lastDoneMs: number | null = null;
  #clockOffsetMs: number | null = null;
  #failures = 0;
  readonly #resupply: Resupply;
  /** Mark of the server that answered last. */
  #server = '';
  /** A unit of an older release would refuse to be told what was read last (EX20). */
  #doesUnitCompare = false;
  /** A unit of an older release would refuse heads that others signed (SG12). */
  #doesUnitKeepHeads = false;
  /** The sentence of the unit once it has revoked this device. */
  #revoked = '';
  #ownLogsThere: Readonly<Record<string, number>> = {};

  constructor(store: OperationStore, requests: UnitRequests, around: ExchangeSurroundings) {
    this.#store = store;
    this.#requests = requests;
    this.#around = around;
    this.#carrier = new OperationCarrier(requests);
    this.#resupply = new Resupply(store, requests, this.#carrier, () => this.#doesUnitKeepHeads);
    this.#state = store.ownDevice()?.token ? 'no-network' : 'alone';
  }

  /** Go on in a new epoch where the key of this device is another one than before (SG6). */
  settleKey(): void {
    settleLostKey(this.#store, this.#around.signer ?? null, this.#around.newEpoch);
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
      clockOffsetMs: this.#clockOffsetMs,
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
  async join(code: string, name: string): Promise<Joining> {
    const joining = await joinUnit(this.#store, this.#requests, this.#around, { code, name });
    if (joining.kind === 'joined') {
      this.#revoked = '';
      this.#tell('exchanging', '');
    }
    return joining;
  }

  /** The unit has revoked this device: said from now on, whatever there is to exchange. */
  noteRevoked(sentence: string): void {
    this.#revoked = sentence;
    this.#tell('refused', sentence);
  }

  /**
   * Ask whether a device that waits may come in (RQ7).
   *
   * @returns true when it has just been let in
   * @throws NoAnswerError or RefusedError; it waits on
   */
  async settleWaiting(): Promise<boolean> {
    const before = this.#store.ownDevice();
    if (!before?.token || !before.waiting) return false;
    const path = '/api/devices/own';
    const answer = await this.#requests.get<{ is_waiting: boolean }>(path, before.token);
    if (answer.is_waiting) return false;
    const { waiting: _, ...own } = before;
    this.#store.becomeDevice(own, this.#store.tip().epoch);
    return true;
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
    if (isKeyLost(own, this.#around.signer ?? null)) {
      // Unsigned it may neither send nor read: it waits for a new link, and keeps everything (SG6).
      this.#tell('needs-a-person', tell('keyLost'));
      return;
    }
    if (own.waiting) {
      this.#tell('needs-a-person', tell('waitsForDigits', { digits: own.waiting }));
      return;
    }
    this.#tell('exchanging', '');
    try {
      this.#end(await this.#exchange(own, own.token));
    } catch (error) {
      this.#failures += 1;
      this.#tell('needs-a-person', tell('exchangeStopped', { why: whyOf(error) }));
    }
  }

  #end({ outcome, sentence }: Finish): void {
    if (outcome === 'done' && this.#revoked !== '') {
      // It may still hand over what it holds, and the unit has it now; it reads nothing (EX12).
      this.#failures = 0;
      this.#tell('refused', this.#revoked);
      return;
    }
    if (outcome === 'done') {
      this.#failures = 0;
      this.#lastDoneMs = this.#around.nowMs();
      const trouble = sentence || this.#store.standingTrouble();
      this.#tell(trouble === '' ? 'resting' : 'needs-a-person', trouble);
      return;
    }
    this.#failures += 1;
    if (outcome === 'no_network') this.#tell('no-network', '');
    else this.#tell('refused', sentence);
  }

  /** Carry messages between the machine, the store and the unit until the round is over. */
  async #exchange(own: OwnDevice, token: string): Promise<Finish> {
    let state = RESTING;
    let heard: Heard = {
      kind: 'start',
      epochs: this.#store.epochsToExchange(),
      streams: own.streams,
      open_case: this.#around.openCase?.() ?? '',
      is_recovering: this.#store.isRecovering(),
      is_offering: this.#store.isOffering(),
    };
    for (;;) {
      const [next, said] = stepExchange(state, heard);
      state = next;
      let answer: Heard | null = null;
      for (const one of said) {
        if (one.kind === 'finish') return one;
        answer = isRequest(one) ? await this.#request(own, token, one) : this.#apply(one);
      }
      if (answer === null) throw new Error(`nothing follows ${heard.kind}`);
      heard = answer;
    }
  }

  /** Change the own store; only a re-issue is heard back. */
  #apply(change: StoreChange): Heard | null {
    switch (change.kind) {
      case 'note_held':
        this.#store.noteHeldByUnit(change.epoch, change.counter);
        this.#tell('exchanging', '');
        return null;
      case 'recover':
        this.#store.beginRecovery(this.#around.newEpoch(), change.epoch);
        return null;
      case 'read_own':
        this.#store.readOwnAgain();
        return null;
      case 'reissue': {
        const { epoch, first } = change;
        return {
          kind: 'reissued',
          epoch: this.#store.reissueBranch(epoch, first, this.#around.newEpoch()),
        };
      }
      case 'begin_offer':
        this.#store.beginOffer(this.#server);
        // Epochs long past are spoken of in the round after this one.
        this.#isAskedAgain = true;
        return null;
      case 'end_offer':
        this.#store.endOffer();
        return null;
      case 'end_recovery':
        this.#store.endRecovery(this.#ownLogsThere);
        return null;
    }
  }

  async #request(own: OwnDevice, token: string, request: UnitRequest): Promise<Heard> {
    try {
      switch (request.kind) {
        case 'greet':
          return await this.#greet(own, token, request);
        case 'push':
          return await this.#push(own, token, request);
        case 'offer':
          return await this.#resupply.offer(own, token, request.after);
        case 'pull':
          return await this.#pull(token, request);
      }
    } catch (error) {
      if (error instanceof NoAnswerError) return { kind: 'no_answer' };
      if (!(error instanceof RefusedError)) throw error;
      this.#noteWaiting(error);
      return { kind: 'refused', status: error.status, sentence: error.message };
    }
  }

  /** A unit put back to before somebody had compared the digits asks for them again. */
  #noteWaiting({ problem }: RefusedError): void {
    const own = this.#store.ownDevice();
    const signer = this.#around.signer ?? null;
    if (own === null || signer === null || problem.type !== WAITING_PROBLEM) return;
    this.#store.becomeDevice({ ...own, waiting: digitsOf(signer) }, this.#store.tip().epoch);
  }

  async #greet(
    own: OwnDevice,
    token: string,
    { epoch, counter }: Extract<UnitRequest, { kind: 'greet' }>,
  ): Promise<Heard> {
    const end = this.#store.tipOf(epoch);
    const asked =
      counter === null
        ? end
        : { epoch, counter, hash: this.#store.ownHashAt(epoch, counter) ?? '' };
    const cursors = this.#store.cursors();
    const handshake: Handshake = {
      device: own.device,
      tip: asked,
      cursors,
      catalogue: this.#store.catalogue.version,
      wall_ms: this.#around.nowMs(),
      ...(this.#doesUnitCompare && { last_read: this.#store.lastRead() }),
    };
    const answer = await this.#handshake(token, handshake);
    // The unit read its clock somewhere between the two readings of ours (SOFT-08).
    const midwayMs = (handshake.wall_ms + this.#around.nowMs()) / 2;
    this.#clockOffsetMs = Math.round(midwayMs - answer.wall_ms);
    this.#carrier.takeNotice(answer);
    this.#server = answer.server;
    this.#doesUnitCompare = answer.last_read !== undefined;
    this.#doesUnitKeepHeads = answer.signed_heads === true;
    this.#ownLogsThere = answer.epochs ?? {};
    return {
      kind: 'greeted',
      asked,
      own: end,
      own_hash: this.#store.ownHashAt(epoch, answer.tip.counter),
      held: this.#store.heldByUnit(epoch),
      cursors,
      // It may be known under its new name already, and what was read be of the copy before (EX20).
      is_other_server: this.#store.isOtherServer(answer.server) || answer.last_read === 'differs',
      answer,
      own_logs: this.#store.ownLogs(),
    };
  }

  /** A unit put back to an older release refuses what it does not know: it is said without (EX20). */
  async #handshake(token: string, handshake: Handshake): Promise<HandshakeAnswer> {
    const say = (content: Handshake) =>
      this.#requests.post<HandshakeAnswer>('/api/exchange/handshake', token, content);
    try {
      return await say(handshake);
    } catch (error) {
      if (!(error instanceof RefusedError && error.status === 400 && handshake.last_read))
        throw error;
      const { last_read: _, ...known } = handshake;
      return await say(known);
    }
  }

  async #push(
    own: OwnDevice,
    token: string,
    { epoch, first, most_bytes: mostBytes }: Extract<UnitRequest, { kind: 'push' }>,
  ): Promise<Heard> {
    const operations = this.#carrier.fill(first - 1, mostBytes, (after, limit) =>
      this.#store.ownLog(epoch, after + 1, limit),
    );
    if (operations.length === 0) return { kind: 'pushed', sent: 0 };
    const signer = this.#around.signer ?? null;
    const answer = await this.#carrier.send<PushAnswer>(
      '/api/exchange/push',
      token,
      own.device,
      operations,
      async (sent) => {
        if (!own.key || signer === null) return {};
        return { signature: await signBatch(signer, own.device, sent) };
      },
    );
    const [refused] = answer.quarantined;
    if (refused !== undefined && answer.tip.counter < first) {
      // Nothing moved on: the unit keeps the texts, and they stay to be sent here (SG3).
      return { kind: 'refused', status: 422, sentence: refused.sentence };
    }
    for (const { op_id: opId, sentence } of answer.quarantined) {
      const one = operations[counterOf(opId) - first];
      const envelope = one === undefined ? '' : writeEnvelope(one);
      const body = one?.bodyText ?? null;
      this.#store.setAside('unit', opId, envelope, body, sentence, this.#around.nowMs());
    }
    return { kind: 'pushed', sent: operations.length, tip: answer.tip };
  }

  async #pull(token: string, request: Extract<UnitRequest, { kind: 'pull' }>): Promise<Heard> {
    const { stream, limit, record } = request;
    const cursor = this.#store.cursors()[stream] ?? 0;
    const after = request.after ?? cursor;
    const isFirst = record === '' && !this.#store.hasReadHeads(stream);
    const heads = isFirst ? 'all' : 'page';
    const page = await this.#carrier.page(token, {
      stream,
      after,
      limit,
      ...(this.#doesUnitKeepHeads && { heads }),
      ...(request.with_own && { own: 1 }),
      ...(record !== '' && { record }),
    });
    // A page of one case is out of the order of the stream: its cursor stays.
    const next = record === '' ? page.next : cursor;
    const nowMs = this.#around.nowMs();
    const signed = this.#doesUnitKeepHeads ? { heads: page.heads ?? [], areAll: isFirst } : null;
    const touched = this.#store.applyPulled(stream, page.operations, next, nowMs, signed);
    if (touched.length > 0) this.#around.onRecords(touched);
    const is_empty = page.operations.length === 0;
    return { kind: 'pulled', after, next: page.next, more: page.more, is_empty };
  }

  #tell(state: ExchangeStanding['state'], sentence: string): void {
    this.#state = state;
    this.#sentence = sentence;
    this.#around.onStanding(this.standing());
  }
}

const REQUESTS: readonly string[] = ['greet', 'push', 'offer', 'pull'];
const isRequest = (said: Said): said is UnitRequest => REQUESTS.includes(said.kind);
