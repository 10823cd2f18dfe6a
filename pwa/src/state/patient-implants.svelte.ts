/** The implants of one patient, kept current: those of every case that names the patient. */
import type { RecordState, RecordStore } from '../ports';
import { listImplants } from './implant-list';
import { type FoundImplant, IMPLANT_KINDS, type SaidBefore, sayBefore } from './implant-owners';
import { LiveRows } from './live-rows.svelte';

const CONCERNS = [...IMPLANT_KINDS, 'case', 'patient', 'visit', 'site'];

export class PatientImplantList extends LiveRows<FoundImplant> {
  /** Cases of the patient that this device does not hold: their implants stand at the unit. */
  keptAtUnit = $state(0);

  /** @param patient - `patient/id` */
  constructor(store: RecordStore, patient: string) {
    super(
      store,
      () => readOf(store, patient),
      (records) => records.some((record) => CONCERNS.includes(record.split('/')[0] ?? '')),
    );
    void store.droppedCases().then((dropped) => {
      this.keptAtUnit = dropped.filter((one) => one.patient === patient).length;
    });
  }
}

async function readOf(store: RecordStore, patient: string): Promise<FoundImplant[]> {
  const [cases, patients, visits, sites] = await Promise.all([
    store.read({ kind: 'case', parent: patient }),
    store.read({ kind: 'patient', record: patient }),
    store.read({ kind: 'visit', parent: patient }),
    store.read({ kind: 'site' }),
  ]);
  const of = cases.flatMap(({ record }) =>
    IMPLANT_KINDS.map((kind) => store.read({ kind, parent: record })),
  );
  const implants = (await Promise.all(of)).flat();
  const before = await readBefore(store, [...implants, ...cases, ...patients]);
  const rows = listImplants({ implants, cases, patients, visits, sites, before });
  // Of a case with two patients both are told, each on their own screen.
  return rows.filter((one) => one.patient === patient);
}

/** Return what the struck records among these said before they were struck. */
export async function readBefore(
  store: RecordStore,
  states: readonly RecordState[],
): Promise<SaidBefore> {
  const struck = states.filter((one) => one.isEnteredInError);
  const found = struck.map(
    async ({ record }) => [record, sayBefore(await store.history(record))] as const,
  );
  return new Map(await Promise.all(found));
}
