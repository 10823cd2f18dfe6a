/** Versions of rule files at the hub: what a version changes, in words, before it goes to units. */
import type { NetworkRuleFiles, SentRuleFile } from '../network-questions';
import { AskedOfDesk } from './asked-of-desk.svelte';
import type { UnitDesk } from './unit-desk.svelte';

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

/** Return the files that have something to compare or to send, and apart those of one version alone. */
export function partFiles(files: NetworkRuleFiles['files']): {
  changed: NetworkRuleFiles['files'];
  single: NetworkRuleFiles['files'];
} {
  const isSingle = ({ versions }: NetworkRuleFiles['files'][number]) =>
    versions.length === 1 && versions.every((one) => !one.may_send && !one.is_sent);
  return {
    changed: files.filter((file) => !isSingle(file)),
    single: files.filter(isSingle),
  };
}

/** Return the version that stands before one, null where it is the first. */
export function versionBefore(
  { files }: NetworkRuleFiles,
  file: string,
  version: number,
): number | null {
  const versions = files.find((one) => one.file === file)?.versions ?? [];
  const before = versions.map((one) => one.version).filter((one) => one < version);
  return before.length === 0 ? null : Math.max(...before);
}

export class NetworkProtocols {
  readonly #desk: UnitDesk;
  readonly asked: AskedOfDesk<'rule-files'>;
  file = $state('');
  version = $state<number | null>(null);
  /** What the version changes; null before it was asked, [] where nothing does. */
  changes = $state.raw<readonly string[] | null>(null);

  constructor(desk: UnitDesk) {
    this.#desk = desk;
    this.asked = new AskedOfDesk(desk, 'rule-files', () => null);
  }

  readonly versions = $derived.by(
    () => this.asked.told?.files.find((one) => one.file === this.file)?.versions ?? [],
  );
  readonly before = $derived.by(() =>
    this.asked.told === null || this.version === null
      ? null
      : versionBefore(this.asked.told, this.file, this.version),
  );
  readonly chosen = $derived.by(() => this.versions.find((one) => one.version === this.version));
  /** Nothing goes out that nobody has read: its changes stand on screen, or it is a first version. */
  readonly canSend = $derived.by(
    () =>
      this.chosen?.may_send === true &&
      !this.chosen.is_sent &&
      (this.changes !== null || this.before === null),
  );

  choose(file: string): void {
    this.file = file;
    this.version = null;
    this.changes = null;
  }

  /** Choose a version and ask what it changes against the one before it. */
  async chooseVersion(version: number): Promise<void> {
    this.version = version;
    this.changes = null;
    const old = this.before;
    if (old === null) return;
    const told = await this.#desk.ask('rule-file-changes', { file: this.file, old, new: version });
    if (told !== null && this.version === version) this.changes = told.sentences;
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
}
