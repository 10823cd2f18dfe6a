/** The unit's counts week by week, as charts; asked again after each exchange. */
import type { RecordStore, UnitWeeks } from '../ports';
import { AskedOfUnit } from './asked-of-unit.svelte';
import { CHARTS, type ClinicChart, makeChart } from './clinic-charts';

export class ClinicCharts {
  readonly #unit: AskedOfUnit<UnitWeeks>;
  readonly #today: () => string;

  constructor(store: RecordStore, today: () => string) {
    this.#today = today;
    this.#unit = new AskedOfUnit(store, () => store.unitWeeks());
  }

  readonly charts = $derived.by((): ClinicChart[] | null => {
    const { told } = this.#unit;
    return told === null ? null : CHARTS.map((id) => makeChart(id, told, this.#today()));
  });
  /** Why the unit could not be asked, "" when it answered or there is none. */
  readonly notTold = $derived.by(() => this.#unit.notTold);

  dispose(): void {
    this.#unit.dispose();
  }
}
