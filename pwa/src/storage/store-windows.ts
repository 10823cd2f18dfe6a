/**
 * Several windows on one tablet: one writes, the others read through it and stay current.
 *
 * The log has one writer, chosen by a lock of the browser. A window without the lock asks the
 * one that holds it, over a channel that all windows hear; it records nothing itself and says
 * so. When the writing window goes, the next that gets the lock writes, and sends what the dead
 * one had not sent [HAZ-14].
 */
import type { DeviceStanding, ExchangeStanding } from '../ports';
import { tell, whyOf } from '../told';
import type { StoreService } from './store-service';
import type { AnsweredCall } from './worker-messages';

/** Calls that change nothing of the record: a reading window may make them. */
const READ_CALLS: ReadonlySet<AnsweredCall> = new Set([
  'read',
  'droppedCases',
  'history',
  'conflicts',
  'planChecks',
  'unitAlarms',
  'unitDevices',
  'followUpCheck',
  'unitLetters',
  'unitReminders',
  'unitProposals',
  'unitWeeks',
  'askClinic',
  'ownAlarms',
  'recall',
  'standingNow',
  'exchangeNow',
  'unsentRecords',
  'saveToFile',
  'readPicture',
]);
const LONGEST_ANSWER_MS = 60_000;

/** What the writing window says of itself. */
export interface WritingNotice {
  standing: DeviceStanding | null;
  exchange: ExchangeStanding;
  /** Address of the place that is open there. */
  place: string;
}

/** Calls on the keys that a reading window makes through the one that has them. */
export type ReaderKeyCall = 'keyStanding' | 'checkPin';

/** Answers the calls on the keys. */
export interface ReaderKeys {
  carryOut(call: ReaderKeyCall, given: readonly unknown[]): Promise<unknown>;
}

const isReaderKeyCall = (call: string): call is ReaderKeyCall =>
  call === 'keyStanding' || call === 'checkPin';

export type WindowMessage =
  | { seeks: true }
  | { writes: WritingNotice }
  | { records: string[] }
  | { exchange: ExchangeStanding }
  | { ask: string; call: AnsweredCall | ReaderKeyCall; given: readonly unknown[] }
  | { to: string; answer: unknown }
  | { to: string; failure: string }
  /** The window that writes was locked: nothing of the records stays on any screen. */
  | { locks: true };

/** What one window posts, all others hear. */
export interface WindowChannel {
  post(message: WindowMessage): void;
  hear(listener: (message: WindowMessage) => void): void;
}

/** Answers the calls of a page: by the store itself, or through the window that has it. */
export interface CallAnswerer {
  carryOut(call: AnsweredCall, given: readonly unknown[]): unknown;
}

/** The window that holds the lock. */
export class WritingWindow implements CallAnswerer {
  readonly #service: StoreService;
  readonly #channel: WindowChannel;
  readonly #keys: ReaderKeys;
  #place: string;

  constructor(service: StoreService, channel: WindowChannel, keys: ReaderKeys) {
    this.#service = service;
    this.#channel = channel;
    this.#keys = keys;
    const place = service.recall('place');
    this.#place = typeof place === 'string' ? place : '';
    channel.hear((message) => void this.#hear(message));
    this.announce();
  }

  carryOut(call: AnsweredCall, given: readonly unknown[]): unknown {
    const method = this.#service[call] as (...args: readonly unknown[]) => unknown;
    const answer = method.apply(this.#service, [...given]);
    const [name, content] = given;
    if (call === 'remember' && name === 'place' && typeof content === 'string') {
      this.#place = content;
      this.announce();
    }
    if (call === 'startAlone' || call === 'join' || call === 'standingNow') {
      void Promise.resolve(answer).then(() => this.announce());
    }
    return answer;
  }

  /** Tell every window that this one writes. */
  announce(): void {
    this.#channel.post({
      writes: {
        standing: this.#service.standing(),
        exchange: this.#service.exchangeStanding(),
        place: this.#place,
      },
    });
  }

  async #hear(message: WindowMessage): Promise<void> {
    if ('seeks' in message) this.announce();
    if (!('ask' in message)) return;
    const to = message.ask;
    try {
      const { call, given } = message;
      if (isReaderKeyCall(call)) {
        this.#channel.post({ to, answer: await this.#keys.carryOut(call, given) });
        return;
      }
      if (!READ_CALLS.has(call)) throw new Error(tell('onlyWriter'));
      this.#channel.post({ to, answer: await this.carryOut(call, given) });
    } catch (error) {
      this.#channel.post({ to, failure: whyOf(error) });
    }
  }
}

interface Pending {
  call: AnsweredCall | ReaderKeyCall;
  given: readonly unknown[];
  resolve(answer: unknown): void;
  reject(error: Error): void;
  callOff(): void;
}

export interface ReadingSurroundings {
  /** Draws an id of this window. */
  newId(): string;
  later(waitMs: number, work: () => void): () => void;
  onRecords(records: string[]): void;
  onExchange(standing: ExchangeStanding): void;
  onLocked(): void;
}

/** A window without the lock. */
export class ReadingWindow implements CallAnswerer {
  readonly #channel: WindowChannel;
  readonly #around: ReadingSurroundings;
  readonly #id: string;
  readonly #pending = new Map<string, Pending>();
  /** What this window alone remembers: it must not move the place of the one that writes. */
  readonly #remembered = new Map<string, unknown>();
  #notice: WritingNotice | null = null;
  #onNotice: (notice: WritingNotice) => void = () => {};
  #isOver = false;
  #asked = 0;

  constructor(channel: WindowChannel, around: ReadingSurroundings) {
    this.#channel = channel;
    this.#around = around;
    this.#id = around.newId();
    channel.hear((message) => this.#hear(message));
  }

  /** Look for the window that writes; null when none answers in time. */
  seek(waitMs: number): Promise<WritingNotice | null> {
    return new Promise((resolve) => {
      const callOff = this.#around.later(waitMs, () => resolve(null));
      this.#onNotice = (notice) => {
        callOff();
        resolve(notice);
      };
      this.#channel.post({ seeks: true });
    });
  }

  /**
   * Ask the window that has the keys: who has a PIN, and whether one is right. A PIN is asked once:
   * each asking is a try.
   */
  askKeys(call: ReaderKeyCall, given: readonly unknown[]): Promise<unknown> {
    return this.#ask(call, given);
  }

  /** Call with every further notice. */
  onNotice(listener: (notice: WritingNotice) => void): void {
    this.#onNotice = listener;
  }

  carryOut(call: AnsweredCall, given: readonly unknown[]): unknown {
    const [name, content] = given;
    if (READ_CALLS.has(call)) {
      if (call === 'recall' && this.#remembered.has(String(name))) {
        return this.#remembered.get(String(name));
      }
      return this.#ask(call, given);
    }
    if (call === 'remember') return void this.#remembered.set(String(name), content);
    const sentence = tell('readsOnly', this.#where());
    if (call === 'save' || call === 'keepPicture') {
      return { kind: 'not-saved', sentence: tell('notSaved', { why: sentence }) };
    }
    if (call === 'join' || call === 'openFile') return { kind: 'refused', sentence };
    throw new Error(sentence);
  }

  /** This window has the lock now: what was asked is answered by its own store. */
  handOver(next: CallAnswerer): void {
    this.#isOver = true;
    for (const { call, given, resolve, reject, callOff } of this.#pending.values()) {
      callOff();
      if (isReaderKeyCall(call)) {
        reject(new Error(tell('windowSilent')));
        continue;
      }
      Promise.resolve()
        .then(() => next.carryOut(call, given))
        .then(resolve, reject);
    }
    this.#pending.clear();
  }

  /** The standing as this window shows it: who writes comes first. */
  shown(standing: ExchangeStanding): ExchangeStanding {
    const also = standing.sentence;
    return { ...standing, sentence: tell('readsOnlyNow', { ...this.#where(), also }) };
  }

  #where(): { at: 'place' | 'other'; place: string } {
    const place = /^#\/(?:case\/[^/]+\/|)([a-z-]+)/.exec(this.#notice?.place ?? '')?.[1] ?? '';
    return { at: place === '' ? 'other' : 'place', place };
  }

  #ask(call: AnsweredCall | ReaderKeyCall, given: readonly unknown[]): Promise<unknown> {
    const id = `${this.#id}.${++this.#asked}`;
    return new Promise((resolve, reject) => {
      const callOff = this.#around.later(LONGEST_ANSWER_MS, () => {
        this.#pending.delete(id);
        reject(new Error(tell('windowSilent')));
      });
      this.#pending.set(id, { call, given, resolve, reject, callOff });
      this.#channel.post({ ask: id, call, given });
    });
  }

  #hear(message: WindowMessage): void {
    if (this.#isOver) return;
    if ('locks' in message) this.#around.onLocked();
    else if ('writes' in message) {
      this.#notice = message.writes;
      this.#around.onExchange(this.shown(message.writes.exchange));
      // It may be another window than the one that was asked: ask again, reading repeats well.
      for (const [id, { call, given }] of this.#pending) {
        if (call !== 'checkPin') this.#channel.post({ ask: id, call, given });
      }
      this.#onNotice(message.writes);
    } else if ('records' in message) this.#around.onRecords(message.records);
    else if ('exchange' in message) this.#around.onExchange(this.shown(message.exchange));
    else if ('to' in message) {
      const pending = this.#pending.get(message.to);
      if (pending === undefined) return;
      this.#pending.delete(message.to);
      pending.callOff();
      if ('failure' in message) pending.reject(new Error(message.failure));
      else pending.resolve(message.answer);
    }
  }
}
