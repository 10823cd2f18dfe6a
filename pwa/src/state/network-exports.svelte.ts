/** Exports for research: one person asks, another approves, then the files can be fetched. */
import { isCivilDate } from '../clinical-rules/civil-date';
import type { ExportOutlook, NetworkExport } from '../network-questions';
import { AskedOfDesk } from './asked-of-desk.svelte';
import type { UnitDesk } from './unit-desk.svelte';

const SHORTEST_TEXT = 3;
const KIBI = 1_024;

/** Return the address from which the browser fetches the files of an export. */
export function fileAddress(one: Pick<NetworkExport, 'export'>): string {
  return `/api/network/export-files?export=${encodeURIComponent(one.export)}`;
}

/** Return bytes in whole KiB, rounded up: no file is told as empty that is not. */
export function kibiOf(bytes: number): number {
  return Math.ceil(bytes / KIBI);
}

/** Return the exports in the order of the day: what waits for a decision first, then the newest. */
export function orderExports(exports: readonly NetworkExport[]): NetworkExport[] {
  const waits = (one: NetworkExport) => Number(one.state === 'asked');
  return [...exports].sort(
    (one, other) => waits(other) - waits(one) || other.asked_ms - one.asked_ms,
  );
}

/** Return under which word the state of an export is said. */
export function exportState({
  state,
}: Pick<NetworkExport, 'state'>): Exclude<NetworkExport['state'], 'refused'> | 'declined' {
  return state === 'refused' ? 'declined' : state;
}

export class NetworkExports {
  readonly #desk: UnitDesk;
  readonly asked: AskedOfDesk<'exports'>;
  /** What every export holds, asked for before one is asked for. */
  readonly every: AskedOfDesk<'export-outlook'>;
  /** What each one that waits would hold, by its id, as it was looked at. */
  outlooks = $state.raw<Readonly<Record<string, ExportOutlook>>>({});
  project = $state('');
  purpose = $state('');
  fromOn = $state('');
  untilOn = $state('');

  constructor(desk: UnitDesk) {
    this.#desk = desk;
    this.asked = new AskedOfDesk(desk, 'exports', () => null);
    this.every = new AskedOfDesk(desk, 'export-outlook', () => ({ export: '' }));
  }

  /** What is wrong with the days: one is no day, or they are turned round; "" where nothing is. */
  readonly badDays = $derived.by((): '' | 'no-day' | 'turned' => {
    const days = [this.fromOn, this.untilOn].map((day) => day.trim()).filter((day) => day !== '');
    if (days.some((day) => !isCivilDate(day))) return 'no-day';
    const [from, until] = days;
    return from !== undefined && until !== undefined && until < from ? 'turned' : '';
  });
  readonly canAsk = $derived.by(
    () =>
      this.project.trim().length >= SHORTEST_TEXT &&
      this.purpose.trim().length >= SHORTEST_TEXT &&
      this.badDays === '',
  );

  async askFor(): Promise<void> {
    if (!this.canAsk) return;
    const told = await this.#desk.ask('ask-export', {
      project: this.project.trim(),
      purpose: this.purpose.trim(),
      from_on: this.fromOn.trim(),
      until_on: this.untilOn.trim(),
    });
    if (this.asked.take(told)) this.project = this.purpose = this.fromOn = this.untilOn = '';
  }

  /** Ask what one that waits would hold; nothing leaves by it. */
  async look(one: string): Promise<void> {
    const told = await this.#desk.ask('export-outlook', { export: one });
    if (told !== null) this.outlooks = { ...this.outlooks, [one]: told };
  }

  /** Say whether it may be approved here: what would leave was looked at, and it can be made. */
  mayApprove(one: NetworkExport): boolean {
    return one.may_decide && (this.outlooks[one.export]?.counts ?? null) !== null;
  }

  async decide(one: string, decision: 'approve' | 'refuse', because: string): Promise<boolean> {
    const listed = this.asked.told?.exports.find((each) => each.export === one);
    if (decision === 'approve' && (listed === undefined || !this.mayApprove(listed))) return false;
    return this.asked.take(
      await this.#desk.ask('decide-export', { export: one, decision, because }),
    );
  }
}
