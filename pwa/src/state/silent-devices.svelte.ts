/** Devices that the unit has not heard of for a day or longer; asked again after each exchange. */
import type { RecordStore, UnitDevice } from '../ports';
import { ageWords, silentWords as words } from '../text/decisions';
import { AskedOfUnit } from './asked-of-unit.svelte';
import { instantWords } from './decisions-time';

export interface SilentDevice {
  id: string;
  text: string;
  /** When it was last here. */
  last: string;
}

export class SilentDevices {
  readonly #unit: AskedOfUnit<{ devices: UnitDevice[] }>;

  constructor(store: RecordStore) {
    this.#unit = new AskedOfUnit(store, () => store.unitDevices());
  }

  /** In the unit's order, the longest silent one first. */
  readonly rows = $derived.by((): SilentDevice[] =>
    (this.#unit.told?.devices ?? []).flatMap((device) =>
      device.silence === 'none' ? [] : [rowOf(device)],
    ),
  );

  /** Why the unit could not be asked, "" when it answered or there is none. */
  readonly notTold = $derived.by(() => this.#unit.notTold);

  dispose(): void {
    this.#unit.dispose();
  }
}

function rowOf({ id, name, silence, silent_ms, last_contact_ms, joined_ms }: UnitDevice) {
  return {
    id,
    text: (silence === 'escalated' ? words.escalated : words.silent)(name, ageWords(silent_ms)),
    last:
      last_contact_ms === null
        ? words.never(instantWords(joined_ms))
        : words.last(instantWords(last_contact_ms)),
  };
}
