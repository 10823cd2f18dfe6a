import { expect, test } from 'vitest';
import type { RecordStore } from '../ports';
import { listKeptAtUnit } from './kept-at-unit';

const held = (value: string) => ({
  values: [{ value, references: [], by: '', stamp: '' }],
  isConflict: false,
});

test('[SN6] a dropped case is listed by the name of its patient, or without one', async () => {
  const patient = { fields: { family_name: held('Invented'), given_name: held('Ada') } };
  const store = {
    droppedCases: async () => [
      { record: 'case/c-1', patient: 'patient/p-1', droppedMs: 2 },
      { record: 'case/c-2', patient: '', droppedMs: 1 },
      { record: 'case/c-3', patient: 'patient/p-gone', droppedMs: 1 },
    ],
    read: async ({ record }: { record: string }) => (record === 'patient/p-1' ? [patient] : []),
  } as unknown as RecordStore;

  const names = (await listKeptAtUnit(store)).map((row) => row.name);

  expect(names).toEqual(['Invented, Ada', '', '']);
});
