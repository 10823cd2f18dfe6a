/**
 * When this tablet locks itself, and what stays open through a live case [SEC-10].
 *
 * Two minutes without a touch lock it, but never while a case is live: then the screens of that case
 * stay, and everything else asks for a PIN. What it closes on the screen is closed on the disk only
 * by a lock: through a live case the key lies open.
 */
import type { Clock, KeyKeeper, KeyStanding, RecordStore } from '../ports';
import type { Place } from './place.svelte';
import { textOf } from './shown';

/** Without a touch for so long the tablet locks; a unit setting (project default). */
export const IDLE_MS = 120_000;

/** From the first act to the signature. */
const LIVE_STAGES: readonly string[] = ['in-procedure', 'closing'];

const NOBODY: KeyStanding = { people: [], isOpen: true, hasLive: false, hasEmergency: false };

interface Around {
  keys: KeyKeeper;
  store: Pick<RecordStore, 'read' | 'recall'>;
  clock: Pick<Clock, 'nowMs'>;
  /** Begin the page anew, so that nothing that was read stays in its memory. */
  startAnew: () => void;
}

/** How the records were opened at this start. */
export type OpenedBy =
  | { kind: 'pin'; staff: string }
  | { kind: 'no-pin' }
  /** `isNew`: asked for on the locked screen, not found again by a restart. */
  | { kind: 'emergency'; isNew: boolean };

export class Lock {
  readonly #around: Around;
  #touchedMs: number;
  /** The page is about to begin anew: nothing more is drawn. */
  isLocking = false;
  #place: Place = { name: 'about' };
  /** Who has a PIN here. */
  keys = $state.raw<KeyStanding>(NOBODY);
  /** Record id of the case that is live on this tablet, "" where none is. */
  liveCase = $state('');
  /** Only the live case may be seen until somebody enters a PIN. */
  isNarrow = $state(false);
  readonly isEmergency: boolean;
  /** A new case is to be opened at once. */
  readonly startsCase: boolean;

  constructor(around: Around, openedBy: OpenedBy) {
    this.#around = around;
    this.#touchedMs = around.clock.nowMs();
    this.isEmergency = openedBy.kind === 'emergency';
    this.startsCase = openedBy.kind === 'emergency' && openedBy.isNew;
    this.#isByLive = openedBy.kind === 'no-pin';
  }
  readonly #isByLive: boolean;

  /** Somebody has a PIN here: the tablet can be locked. */
  readonly canLock = $derived.by(() => this.keys.people.length > 0 || this.isEmergency);
  /** A device that belongs to a unit and on which nobody has a PIN yet. */
  readonly needsFirst = $derived.by(() => this.keys.isOpen && this.keys.people.length === 0);

  /** Read who has a PIN here and which case is live; call once before anything is drawn. */
  async begin(place: Place): Promise<void> {
    await this.readKeys();
    await this.follow(place);
    if (!this.#isByLive || !this.canLock) return;
    // Opened by a restart, not by a person.
    this.isNarrow = true;
    if (this.liveCase === '') await this.lock();
  }

  async readKeys(): Promise<void> {
    this.keys = await this.#around.keys.keyStanding();
  }

  /**
   * Take up which case is live now: its key stays open as long as it is, and no longer.
   *
   * @param place - where the person is now, where that has changed: before its first act a case is
   *   live while its Procedure screen is open
   */
  async follow(place: Place = this.#place): Promise<void> {
    this.#place = place;
    const { keys } = this.#around;
    this.liveCase = await this.#findLive();
    const isLive = this.liveCase !== '';
    if (this.isLocking || this.isEmergency || isLive === this.keys.hasLive) return;
    await keys.keepLive(isLive);
    await this.readKeys();
  }

  async #findLive(): Promise<string> {
    const { store } = this.#around;
    const stageOf = async (record: string) => {
      const [found] = await store.read({ kind: 'case', record });
      return found === undefined ? 'none' : textOf(found, 'stage');
    };
    const remembered = await store.recall('live-case');
    if (typeof remembered === 'string' && LIVE_STAGES.includes(await stageOf(remembered))) {
      return remembered;
    }
    if (this.#place.name !== 'procedure') return '';
    const opened = `case/${this.#place.caseId}`;
    return ['none', 'closed'].includes(await stageOf(opened)) ? '' : opened;
  }

  /** Somebody touched the screen or pressed a key. */
  noteTouch(): void {
    this.#touchedMs = this.#around.clock.nowMs();
  }

  /** Lock, or close all but the live case, where nobody has touched the tablet for long. */
  async look(): Promise<void> {
    // A window that only read may write by now, and has the keys.
    if (!this.canLock) await this.readKeys();
    if (!this.canLock) return;
    const idleMs = this.#around.clock.nowMs() - this.#touchedMs;
    // A clock that was set back says nothing of how long nobody touched it.
    if (idleMs < 0) this.noteTouch();
    if (idleMs < IDLE_MS) return;
    await this.follow();
    await this.readKeys();
    // After 12 hours a case that nobody has closed is open no more.
    const isOpen = this.keys.hasLive || (this.isEmergency && this.keys.hasEmergency);
    if (this.liveCase === '' || !isOpen) await this.lock();
    else this.isNarrow = true;
  }

  /** Lock now. The page begins anew also where the store does not answer. */
  async lock(): Promise<void> {
    if (!this.canLock || this.isLocking) return;
    this.isLocking = true;
    // Where the store does not answer, the page that begins anew asks it again.
    await this.#around.keys.lock().catch(() => {});
    this.#around.startAnew();
  }

  /** A person has entered a PIN: everything may be seen again. */
  widen(): void {
    this.noteTouch();
    this.isNarrow = false;
  }

  /** Say whether a place may be drawn now. */
  mayShow(place: Place): boolean {
    if (!this.isNarrow || place.name === 'about') return true;
    return 'caseId' in place && `case/${place.caseId}` === this.liveCase;
  }

  /** The place of the live case, null where none is live. */
  get livePlace(): Place | null {
    const caseId = this.liveCase.replace('case/', '');
    return caseId === '' ? null : { name: 'procedure', caseId };
  }
}
