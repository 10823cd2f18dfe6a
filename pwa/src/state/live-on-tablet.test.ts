import { expect, test } from 'vitest';
import type { Json, RecordState, RecordStore } from '../ports';
import { hasLiveCase } from './live-on-tablet';

const caseAt = (stage: string): RecordState => ({
  record: 'case/c1',
  fields: {
    stage: {
      values: [{ value: stage, references: ['r'], by: 'staff/s', stamp: '1' }],
      isConflict: false,
    } as never,
  },
  struck: [],
  isEnteredInError: false,
  heads: [],
});
const storeWith = (remembered: Json, found: RecordState[]): RecordStore =>
  ({ recall: async () => remembered, read: async () => found }) as unknown as RecordStore;

test('[HAZ-27] live is the case that was started here, until it leaves the procedure', async () => {
  const cases = { name: 'cases' } as const;
  expect(await hasLiveCase(storeWith('case/c1', [caseAt('in-procedure')]), cases)).toBe(true);
  expect(await hasLiveCase(storeWith('case/c1', [caseAt('closing')]), cases)).toBe(false);
  expect(await hasLiveCase(storeWith('case/c1', []), cases)).toBe(false);
  // Another tablet's case is its own matter.
  expect(await hasLiveCase(storeWith(null, [caseAt('in-procedure')]), cases)).toBe(false);
});

test('[HAZ-27] the open Procedure screen counts as live before its first act', async () => {
  const procedure = { name: 'procedure', caseId: 'c1' } as const;
  expect(await hasLiveCase(storeWith(null, []), procedure)).toBe(true);
});
