/** Versions of rule files at the hub: what each changes stands in words before anybody approves it. */
import type { DeskRole } from '../desk-questions';
import type {
  NetworkRuleFiles,
  RuleFileAtUnit,
  RuleFileChanges,
  RuleFileVersions,
  RuleVersion,
  SentRuleFile,
} from '../network-rule-questions';
import { AskedOfDesk } from './asked-of-desk.svelte';
import type { UnitDesk } from './unit-desk.svelte';

const APPROVING: readonly DeskRole[] = ['endoscopist', 'anaesthetist', 'data-manager'];

/** Return how many units have got a version, taken it as a draft, or set it aside. */
export function countArrivals({ units }: SentRuleFile): {
  all: number;
  came: number;
  taken: number;
  aside: number;
} {
  return {
    all: units.length,
    came: units.filter(({ came_ms }) => came_ms !== null).length,
    taken: units.filter(({ answer }) => answer === 'taken').length,
    aside: units.filter(({ answer }) => answer === 'set-aside').length,
  };
}

/** How a version stands at a unit, for its words; the last three only of one that was taken. */
export type AtUnit =
  | 'not'
  | 'none'
  | 'set-aside'
  | 'taken'
  | 'approved'
  | 'in-force'
  | 'other-counts'
  | 'training'
  | 'by-number'
  | 'retired';

/** Return how a version stands at a unit, as far as the unit tells it. */
export function standsAt(one: RuleFileAtUnit): AtUnit {
  if (one.came_ms === null) return 'not';
  switch (one.here) {
    case 'in force':
      return one.is_counting ? 'in-force' : 'other-counts';
    case 'approved':
    case 'retired':
      return one.here;
    case 'draft':
      return one.is_counting ? 'training' : 'taken';
    case null:
      if (one.is_counting) return 'by-number';
  }
  return one.answer === 'taken' || one.answer === 'set-aside' ? one.answer : 'none';
}

/** How a version stands where it counts, or comes into force. */
export type StillHeld = 'approved' | 'in-force' | 'other-counts' | 'training' | 'by-number';
const STILL_HELD: readonly AtUnit[] = [
  'approved',
  'in-force',
  'other-counts',
  'training',
  'by-number',
];

/** Say whether a version counts where it stands so, or comes into force without anybody's doing. */
export function isStillHeld(stands: AtUnit): stands is StillHeld {
  return STILL_HELD.includes(stands);
}

/** Say whether a version that the hub withdrew is still held so at a unit. */
export function isWithdrawnInForce(sent: SentRuleFile, one: RuleFileAtUnit): boolean {
  return sent.is_withdrawn && isStillHeld(standsAt(one));
}

/** Return what was sent, those first that were withdrawn and still count somewhere. */
export function orderSent(sent: readonly SentRuleFile[]): SentRuleFile[] {
  const isOpen = (one: SentRuleFile) =>
    Number(one.units.some((unit) => isWithdrawnInForce(one, unit)));
  return [...sent].sort((one, other) => isOpen(other) - isOpen(one));
}

/** Return the files that have a version of the network's own, and apart those of the program alone. */
export function partFiles(files: NetworkRuleFiles['files']): {
  own: RuleFileVersions[];
  program: RuleFileVersions[];
} {
  const hasOwn = ({ versions }: RuleFileVersions) => versions.some((one) => one.is_own);
  return { own: files.filter(hasOwn), program: files.filter((file) => !hasOwn(file)) };
}

/** Who still has to approve a version: "" where nobody has. */
export type Lacking = '' | 'two' | 'one' | 'one-endoscopist' | 'endoscopist';

/** Return who still has to approve a version. */
export function lackingOf({
  people_missing: people,
  needs_endoscopist: needs,
}: RuleVersion): Lacking {
  if (people >= 2) return 'two';
  if (people === 1) return needs ? 'one-endoscopist' : 'one';
  return needs ? 'endoscopist' : '';
}

export class NetworkProtocols {
  readonly #desk: UnitDesk;
  readonly asked: AskedOfDesk<'rule-files'>;
  file = $state('');
  version = $state<number | null>(null);
  /** What the version changes; null before it was told. */
  changes = $state.raw<RuleFileChanges | null>(null);

  constructor(desk: UnitDesk) {
    this.#desk = desk;
    this.asked = new AskedOfDesk(desk, 'rule-files', () => null);
  }

  readonly isManager = $derived.by(() => this.#desk.person?.role === 'data-manager');
  readonly versions = $derived.by(
    () => this.asked.told?.files.find((one) => one.file === this.file)?.versions ?? [],
  );
  readonly chosen = $derived.by(() => this.versions.find((one) => one.version === this.version));
  readonly hasApproved = $derived.by(
    () => this.chosen?.approvers.some(({ by }) => by === this.#desk.person?.staff) === true,
  );
  /** Nothing is approved or goes out that nobody has read: its changes stand on screen. */
  readonly #isRead = $derived.by(() => this.changes?.version === this.version);
  readonly canApprove = $derived.by(() => {
    const { person } = this.#desk;
    const isOpen = this.chosen?.is_own === true && this.chosen.standing === 'draft';
    const may = person ? APPROVING.includes(person.role) : false;
    return isOpen && may && !this.hasApproved && this.#isRead;
  });
  readonly canSend = $derived.by(
    () => this.isManager && this.chosen?.may_send === true && !this.chosen.is_sent && this.#isRead,
  );

  choose(file: string): void {
    this.file = file;
    this.version = null;
    this.changes = null;
  }

  /** Choose a version and ask what it changes against what is in force. */
  async chooseVersion(version: number): Promise<void> {
    this.version = version;
    this.changes = null;
    const told = await this.#desk.ask('rule-file-changes', { file: this.file, version });
    if (told !== null && this.version === version) this.changes = told;
  }

  async approve(): Promise<boolean> {
    const { version, file } = this;
    if (version === null || !this.canApprove) return false;
    const told = await this.#desk.ask('approve-rule-file', { file, version });
    if (!this.asked.take(told)) return false;
    // In force now: what it changes is told against what was before.
    await this.chooseVersion(version);
    return true;
  }

  async send(because: string): Promise<boolean> {
    const { version, file } = this;
    if (version === null || !this.canSend) return false;
    const isTaken = this.asked.take(
      await this.#desk.ask('send-rule-file', { file, version, because }),
    );
    if (isTaken) this.choose('');
    return isTaken;
  }

  async withdraw({ file, version }: SentRuleFile, because: string): Promise<boolean> {
    if (!this.isManager) return false;
    return this.asked.take(await this.#desk.ask('withdraw-rule-file', { file, version, because }));
  }
}
