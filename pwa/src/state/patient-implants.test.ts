import { expect, test } from 'vitest';
import type { RecordQuery, RecordStore } from '../ports';
import { PatientImplantList } from './patient-implants.svelte';

/** Caught, as it stood: a patient whose only case was dropped here had "no implant recorded". */
test('[HAZ-46] cases of the patient that are kept at the unit alone are counted', async () => {
  const dropped = ['patient/a', 'patient/b', 'patient/a', ''];
  const store = {
    read: async (_: RecordQuery) => [],
    onRecords: () => () => {},
    droppedCases: async () =>
      dropped.map((patient, place) => ({ record: `case/${place}`, patient, droppedMs: 1 })),
  } as unknown as RecordStore;

  const lists = ['patient/a', 'patient/c'].map((patient) => new PatientImplantList(store, patient));
  await new Promise((resolve) => setTimeout(resolve));

  expect(lists.map(({ isLoaded, rows, keptAtUnit }) => [isLoaded, rows, keptAtUnit])).toEqual([
    [true, [], 2],
    [true, [], 0],
  ]);
  for (const list of lists) list.dispose();
});
