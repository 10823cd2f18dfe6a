/** This device: what it is, how its exchange stands, and who taps on it. */
import type {
  Clock,
  DeviceStanding,
  Draft,
  ExchangeStanding,
  OpenAnswer,
  RecordStore,
  SaveAnswer,
} from '../ports';

const ALONE: ExchangeStanding = {
  state: 'alone',
  unsent: 0,
  oldestUnsentMs: null,
  lastDoneMs: null,
  sentence: '',
};

export class Tablet {
  readonly #store: RecordStore;
  readonly #clock: Clock;
  standing = $state<DeviceStanding | null>(null);
  exchange = $state<ExchangeStanding>(ALONE);
  /** What the browser said to being asked to keep the storage. */
  persisted = $state(false);
  /** Staff record id of the person who taps, "" before one was chosen. */
  whoTaps = $state('');
  whoTapsName = $state('');
  whoTapsRole = $state('');
  /** Sentence of the last save that failed, "" after one that went well. */
  notSaved = $state('');

  constructor(store: RecordStore, clock: Clock) {
    this.#store = store;
    this.#clock = clock;
    store.onExchange((standing) => {
      this.exchange = standing;
    });
  }

  /** Take up what the opened store says, and who tapped here last. */
  async take(opened: Extract<OpenAnswer, { kind: 'open' }>): Promise<void> {
    this.standing = opened.standing;
    this.persisted = opened.persisted;
    const last = await this.#store.recall('who-taps');
    if (typeof last !== 'object' || last === null || Array.isArray(last)) return;
    const { id, name, role } = last as Record<string, unknown>;
    if (typeof id === 'string' && typeof name === 'string' && typeof role === 'string') {
      this.#nameWhoTaps(id, name, role);
    }
  }

  async chooseWhoTaps(id: string, name: string, role: string): Promise<void> {
    this.#nameWhoTaps(id, name, role);
    await this.#store.remember('who-taps', { id, name, role, since_ms: this.#clock.nowMs() });
  }

  #nameWhoTaps(id: string, name: string, role: string): void {
    this.whoTaps = id;
    this.whoTapsName = name;
    this.whoTapsRole = role;
  }

  /**
   * Save drafts as the person who taps.
   *
   * @param by - staff id of the person who answers for the entry, where that is another one
   */
  async save(drafts: readonly Draft[], by?: string): Promise<SaveAnswer> {
    const tappedBy = this.whoTaps || 'staff/unnamed';
    const answer = await this.#store.save(drafts, { by: by ?? tappedBy, tappedBy });
    this.notSaved = answer.kind === 'not-saved' ? answer.sentence : '';
    return answer;
  }

  async startAlone(role: DeviceStanding['role']): Promise<void> {
    this.standing = await this.#store.startAlone(role);
  }

  /** Join a unit by an invitation code; returns a sentence when refused, "" when joined. */
  async join(code: string): Promise<string> {
    const answer = await this.#store.join(code);
    if (answer.kind === 'refused') return answer.sentence;
    this.standing = answer.standing;
    return '';
  }

  /** Ask whether the unit has let this device in by now. */
  async askWhetherIn(): Promise<void> {
    this.standing = await this.#store.standingNow();
  }
}
