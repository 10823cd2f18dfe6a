/**
 * When this tablet locks itself, and what stays open through a live case [SEC-10].
 *
 * Two minutes without a touch lock it, but never while a case is live: then the screens of that case
 * stay, and everything else asks for a PIN. What it closes on the screen is closed on the disk only
 * by a lock: through a live case the key lies open, for 12 hours from the last work at it. What the
 * disk did not take is covered, not thrown away.
 */
import type { Clock, KeyKeeper, KeyStanding, PinAnswer, RecordStore } from '../ports';
import type { Place } from './place.svelte';
import { textOf } from './shown';

/** Without a touch for so long the tablet locks; a unit setting (project default). */
export const IDLE_MS = 120_000;

/** After the procedure a case counts as live for so long without work at it (project default). */
export const CLOSING_MS = 1_800_000;
/** Work at the live case writes its hours anew at most so often. */
export const RENEW_MS = 900_000;
/** A case whose hours ran out, or whose clock was set forward, is locked after so long untouched. */
export const LATE_MS = 900_000;
/** A store that does not answer keeps the page from beginning anew no longer than this. */
export const LONGEST_LOCK_MS = 2_000;

/** From the first act to the signature. */
const LIVE_STAGES: readonly string[] = ['in-procedure', 'closing'];
/** Name of what is remembered of the case whose key lies open. */
const KEPT = 'kept-case';

const NOBODY: KeyStanding = { people: [], isOpen: true, hasLive: false, hasEmergency: false };

interface Around {
  keys: KeyKeeper;
  store: Pick<RecordStore, 'read' | 'recall' | 'remember'>;
  clock: Pick<Clock, 'nowMs' | 'monotonicMs'>;
  /** Begin the page anew, so that nothing that was read stays in its memory. */
  startAnew: () => void;
  /** Open the store anew in this page, whose worker holds all records now. */
  openAnew: (by: OpenedBy) => void;
  /** Something could not be saved and stands on the screen alone. */
  hasUnsaved: () => boolean;
  later(waitMs: number, work: () => void): () => void;
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
  /** When a screen of the live case was last touched; a clock that nobody sets. */
  #workedMs: number;
  /** The case that the open key was last kept for, "" where it was for none; and when. */
  #keptCase = '';
  #keptMs: number;
  /** Since when its hours have run out; null while they have not. */
  #lateMs: number | null = null;
  #place: Place = { name: 'about' };
  /** The page is about to begin anew: nothing more is drawn. */
  isLocking = $state(false);
  /** Nothing is shown until a PIN; what the disk did not take stays behind it. */
  isCovered = $state(false);
  /** Bleeding now: the first PIN is chosen afterwards. */
  #isFirstPutOff = $state(false);
  /** Who has a PIN here. */
  keys = $state.raw<KeyStanding>(NOBODY);
  /** Record id of the case that is live on this tablet, "" where none is. */
  liveCase = $state('');
  /** Only the live case may be seen until somebody enters a PIN. */
  isNarrow = $state(false);
  readonly isEmergency: boolean;
  /** A new case is to be opened at once. */
  readonly startsCase: boolean;
  readonly #isByLive: boolean;

  constructor(around: Around, openedBy: OpenedBy) {
    this.#around = around;
    this.#touchedMs = around.clock.nowMs();
    this.#workedMs = around.clock.monotonicMs();
    this.#keptMs = this.#workedMs;
    this.isEmergency = openedBy.kind === 'emergency';
    this.startsCase = openedBy.kind === 'emergency' && openedBy.isNew;
    this.#isByLive = openedBy.kind === 'no-pin';
  }

  /** The records do not open by themselves: the tablet can be locked, also where nobody is left. */
  readonly canLock = $derived.by(() => !this.keys.isOpen || this.isEmergency);
  /** Nobody has a PIN yet: the first one is chosen, once no case is live. */
  readonly needsFirst = $derived.by(
    () => this.keys.isOpen && this.liveCase === '' && !this.#isFirstPutOff,
  );

  /** Read who has a PIN here and which case is live; call once before anything is drawn. */
  async begin(place: Place): Promise<void> {
    await this.readKeys();
    const isNarrow = this.#isByLive && this.canLock;
    if (isNarrow) {
      // Opened by a restart, not by a person: only what was live before it.
      this.isNarrow = true;
      this.liveCase = await this.#findKept();
      if (this.keys.hasLive) this.#keptCase = this.liveCase;
    }
    await this.follow(place);
    if (isNarrow && this.liveCase === '') await this.lock();
  }

  async readKeys(): Promise<void> {
    this.keys = await this.#around.keys.keyStanding();
  }

  /** Put the first PIN off until the case that is begun now is live no more. */
  putOffFirst(): void {
    this.#isFirstPutOff = true;
  }

  /**
   * Take up which case is live now: its key stays open as long as it is, and no longer.
   *
   * @param place - where the person is now, where that has changed: before its first act a case is
   *   live while its Procedure screen is open
   */
  async follow(place: Place = this.#place): Promise<void> {
    this.#place = place;
    const before = this.liveCase;
    this.liveCase = await this.#findLive();
    const isLive = this.liveCase !== '';
    if (before !== '' && !isLive) this.#isFirstPutOff = false;
    if (this.isLocking || this.isEmergency || this.keys.isElsewhere) return;
    // Nothing closes before the first PIN; there is nothing to keep open.
    if (!(isLive ? !this.keys.isOpen && this.#isDue() : this.keys.hasLive)) return;
    // Told before the key lies open: a restart shows this case and no other.
    if (!this.isNarrow) await this.#around.store.remember(KEPT, this.liveCase);
    await this.#around.keys.keepLive(isLive);
    await this.readKeys();
    this.#keptCase = this.keys.hasLive ? this.liveCase : '';
    this.#keptMs = this.#around.clock.monotonicMs();
    this.#lateMs = null;
  }

  /** Say whether the live case needs its key kept open, or its hours written anew. */
  #isDue(): boolean {
    if (this.#keptCase !== this.liveCase) return true;
    if (this.#lateMs !== null) return this.#workedMs > this.#lateMs;
    return this.#workedMs - this.#keptMs >= RENEW_MS;
  }

  async #stageOf(record: string): Promise<string> {
    const [found] = await this.#around.store.read({ kind: 'case', record });
    return found === undefined || found.isEnteredInError ? 'none' : textOf(found, 'stage');
  }

  /** Say whether a stage lets a case be live; at closing only for a while without work at it. */
  #mayBeLive(stage: string): boolean {
    const idleMs = this.#around.clock.monotonicMs() - this.#workedMs;
    return !['none', 'closed'].includes(stage) && (stage !== 'closing' || idleMs < CLOSING_MS);
  }

  #isStarted(stage: string): boolean {
    return LIVE_STAGES.includes(stage) && this.#mayBeLive(stage);
  }

  /** Return the case that was live before a restart. */
  async #findKept(): Promise<string> {
    const { store } = this.#around;
    const kept = await store.recall(KEPT);
    if (typeof kept === 'string' && this.#mayBeLive(await this.#stageOf(kept))) return kept;
    const started = await store.recall('live-case');
    if (typeof started !== 'string') return '';
    return this.#isStarted(await this.#stageOf(started)) ? started : '';
  }

  async #findLive(): Promise<string> {
    const { store } = this.#around;
    // An address alone does not make another case the live one.
    if (this.isNarrow) {
      return this.#mayBeLive(await this.#stageOf(this.liveCase)) ? this.liveCase : '';
    }
    const opened = this.#place.name === 'procedure' ? `case/${this.#place.caseId}` : '';
    const stage = opened === '' ? 'none' : await this.#stageOf(opened);
    const remembered = await store.recall('live-case');
    // One that is live on another tablet counts while it is looked at: it must not keep this one
    // from a case of its own.
    if (stage === 'in-procedure') return opened;
    if (typeof remembered === 'string' && this.#isStarted(await this.#stageOf(remembered))) {
      return remembered;
    }
    if (this.#mayBeLive(stage)) return opened;
    return this.isEmergency ? this.#findOpenCase() : '';
  }

  /** Return a case of the emergency records that is not closed: nobody has shown a PIN for it yet. */
  async #findOpenCase(): Promise<string> {
    for (const { record } of await this.#around.store.read({ kind: 'case' })) {
      if (this.#mayBeLive(await this.#stageOf(record))) return record;
    }
    return '';
  }

  /** Somebody touched the screen or pressed a key. */
  noteTouch(): void {
    const { clock } = this.#around;
    this.#touchedMs = clock.nowMs();
    if (this.#isAtLive(this.#place)) this.#workedMs = clock.monotonicMs();
  }

  /** Lock, or close all but the live case, where nobody has touched the tablet for long. */
  async look(): Promise<void> {
    // A window that only read may write by now, and has the keys.
    if (!this.canLock || this.keys.isElsewhere) await this.readKeys();
    if (!this.canLock) return;
    if (this.liveCase !== '' && this.#isDue()) await this.follow();
    const idleMs = this.#around.clock.nowMs() - this.#touchedMs;
    // A clock that was set back says nothing of how long nobody touched it.
    if (idleMs < 0) this.noteTouch();
    if (idleMs < IDLE_MS) return;
    await this.readKeys();
    await this.follow();
    if (this.liveCase === '' || this.#isTooLate()) {
      if (this.#around.hasUnsaved()) this.isCovered = true;
      else await this.lock();
    } else if (this.#around.hasUnsaved() && !this.#isAtLive(this.#place)) {
      this.isCovered = true;
    } else {
      this.isNarrow = true;
    }
  }

  /** Say whether the hours of a case that nobody has closed are over, and nobody came for a while. */
  #isTooLate(): boolean {
    const isOpen = this.keys.hasLive || (this.isEmergency && this.keys.hasEmergency);
    if (isOpen || this.keys.isElsewhere) {
      this.#lateMs = null;
      return false;
    }
    const nowMs = this.#around.clock.monotonicMs();
    // A clock that was set forward looks the same: a person at the case has time to touch it.
    this.#lateMs ??= nowMs;
    return nowMs - Math.max(this.#lateMs, this.#workedMs) >= LATE_MS;
  }

  /** Lock now. The page begins anew also where the store does not answer. */
  async lock(): Promise<void> {
    if (!this.canLock || this.isLocking) return;
    // The keys are another window's: this one shows no more than its live case.
    if (this.keys.isElsewhere) {
      this.isNarrow = true;
      return;
    }
    this.isLocking = true;
    const { keys, later, startAnew } = this.#around;
    // Where the store does not answer, the page that begins anew asks it again.
    await new Promise<void>((resolve) => {
      later(LONGEST_LOCK_MS, resolve);
      void keys.lock().then(resolve, () => resolve());
    });
    startAnew();
  }

  /** Ask for a PIN for what is not the live case. */
  narrow(): void {
    this.isNarrow = true;
  }

  /** Try a PIN, for everything that is closed now: in an emergency it opens the records. */
  async tryPin(staff: string, pin: string): Promise<PinAnswer> {
    const { keys } = this.#around;
    const answer = await (this.#opensAll ? keys.unlock(staff, pin) : keys.checkPin(staff, pin));
    if (answer.kind !== 'right') await this.readKeys();
    return answer;
  }

  /**
   * A person has entered a PIN: everything may be seen again.
   *
   * @param staff - who; out of an emergency case the records are opened for them
   */
  widen(staff = ''): void {
    this.noteTouch();
    if (this.#opensAll && staff !== '') {
      this.#around.openAnew({ kind: 'pin', staff });
      return;
    }
    this.isNarrow = false;
    this.isCovered = false;
  }

  /** What is covered stays as it is: only the cover is lifted. */
  get #opensAll(): boolean {
    return this.isEmergency && !this.isCovered;
  }

  /**
   * Whether all records are open to whoever holds the tablet: somebody has shown a PIN, or nobody has
   * one yet. Else no more than the live case may be seen, and nothing leaves in a file.
   */
  get isWholeOpen(): boolean {
    return !(this.isNarrow || this.isCovered || this.isEmergency || this.isLocking);
  }

  /** Say whether a place may be drawn now; About leaves out what holds records (`isWholeOpen`). */
  mayShow(place: Place): boolean {
    return !this.isNarrow || place.name === 'about' || this.#isAtLive(place);
  }

  #isAtLive(place: Place): boolean {
    return 'caseId' in place && `case/${place.caseId}` === this.liveCase;
  }

  /** The place of the live case, null where none is live. */
  get livePlace(): Place | null {
    const caseId = this.liveCase.replace('case/', '');
    return caseId === '' ? null : { name: 'procedure', caseId };
  }
}
