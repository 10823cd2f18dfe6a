/** What could not be taken in, at the unit and on this tablet: open, and seen to by somebody. */
import type { Alarms, RecordStore, SeenAlarm, UnitAlarm } from '../ports';
import { findSeenTo } from '../record-catalogue/alarms';
import { AskedOfUnit } from './asked-of-unit.svelte';
import { LiveRecords } from './live-records.svelte';

/** Open alarms of one kind about one log: one cause, as a rule, and one press. */
export interface AlarmGroup {
  kind: UnitAlarm['kind'];
  /** Device and epoch; "" where the entry names none. */
  log: string;
  alarms: UnitAlarm[];
}

export class AlarmList {
  readonly #unit: AskedOfUnit<Alarms>;
  readonly #decisions: LiveRecords;
  #here = $state.raw<UnitAlarm[]>([]);

  constructor(store: RecordStore) {
    this.#decisions = new LiveRecords(store, { kind: 'decision' });
    this.#unit = new AskedOfUnit(store, async () => {
      this.#here = await store.ownAlarms();
      return store.unitAlarms();
    });
  }

  /** Each alarm once, by its name: the unit's own words where both tell of it. */
  readonly #all = $derived.by(() => {
    const { alarms = [], seen_to: seenTo = [] } = this.#unit.told ?? {};
    return new Map([...this.#here, ...alarms, ...seenTo].map((one) => [one.name, one]));
  });

  /** By what is decided here and not sent yet, else by what the unit says. */
  readonly seenTo = $derived.by((): SeenAlarm[] => {
    const decided = findSeenTo(this.#decisions.list);
    const told = new Map(this.#unit.told?.seen_to.map((one) => [one.name, one]));
    return [...this.#all.values()].flatMap((alarm) => {
      const seen = decided.get(alarm.name);
      const said = seen === undefined ? told.get(alarm.name) : { ...alarm, ...seen };
      return said === undefined ? [] : [said];
    });
  });

  readonly open = $derived.by((): AlarmGroup[] => {
    const seen = new Set(this.seenTo.map(({ name }) => name));
    return groupAlarms([...this.#all.values()].filter(({ name }) => !seen.has(name)));
  });

  /** The decisions on this device, for what is to be written over. */
  readonly decisions = $derived.by(() => this.#decisions.list);

  /** Why the unit could not be asked, "" when it answered or there is none. */
  readonly notTold = $derived.by(() => this.#unit.notTold);

  dispose(): void {
    this.#unit.dispose();
    this.#decisions.dispose();
  }
}

/** Return alarms by kind and log, in the order of the first of each. */
export function groupAlarms(alarms: readonly UnitAlarm[]): AlarmGroup[] {
  const groups = new Map<string, AlarmGroup>();
  for (const alarm of alarms) {
    const [, log = ''] = /^([^.]+\.[^.]+)(?:\.\d+)?$/.exec(alarm.op_id) ?? [];
    const key = `${alarm.kind} ${log}`;
    const group = groups.get(key) ?? { kind: alarm.kind, log, alarms: [] };
    group.alarms.push(alarm);
    groups.set(key, group);
  }
  return [...groups.values()];
}
