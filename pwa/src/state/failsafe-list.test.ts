import { expect, test } from 'vitest';
import type { FailsafeList as Told } from '../clinic-questions';
import type { RecordStore } from '../ports';
import { FailsafeList } from './failsafe-list.svelte';

const listOf = (hash: string, more: Partial<Told> = {}): Told => ({
  as_of_on: '2026-03-16',
  list_hash: hash,
  patients: [],
  treated: 3,
  csv: '',
  last_review: null,
  ...more,
});

function unit() {
  const state = {
    hash: 'a',
    asked: [] as [string, unknown][],
    saved: [] as string[],
    exchanged: 0,
    refusal: '',
  };
  const askClinic = async (question: string, asks: unknown) => {
    state.asked.push([question, asks]);
    await Promise.resolve();
    if (state.refusal !== '') return { kind: 'not-told', sentence: state.refusal };
    const { hash: list_hash } = state;
    if (question === 'failsafe-paper') {
      return { kind: 'told', as_of_on: '2026-03-16', list_hash, pdf: btoa('%PDF') };
    }
    return { kind: 'told', ...listOf(list_hash) };
  };
  const exchangeNow = async () => {
    state.exchanged += 1;
  };
  const store = { askClinic, exchangeNow } as unknown as RecordStore;
  const list = new FailsafeList(store, (_content, _type, name) => state.saved.push(name));
  return { state, list };
}

/** Has caught a planted bug: whoever prepared the list signed it too. */
test('[FU-12] [FL5] one prepares, another signs the list that was shown, once', async () => {
  const { state, list } = unit();
  await list.prepare('');
  expect(list.told).toBeNull();
  await list.prepare('staff/a');
  expect([state.exchanged, list.told?.treated]).toEqual([1, 3]);

  expect([list.maySign('staff/a'), list.maySign(''), list.maySign('staff/b')]).toEqual([
    false,
    false,
    true,
  ]);
  await list.sign('staff/a');
  expect(state.asked).toHaveLength(1);
  await Promise.all([list.sign('staff/b'), list.sign('staff/b')]);

  expect(state.asked.slice(1)).toEqual([
    ['sign-failsafe', { prepared_by: 'staff/a', signed_by: 'staff/b', list_hash: 'a' }],
  ]);
  expect([list.signedBy, list.maySign('staff/c')]).toEqual(['staff/b', false]);
});

/** Has caught a planted bug: the PDF of another list than the one on screen was saved. */
test('[FU-12] a PDF is saved of the list that is shown and of no other', async () => {
  const { state, list } = unit();
  await list.prepare('staff/a');
  await list.savePaper();
  expect([state.saved, list.isOutdated]).toEqual([['failsafe-list-2026-03-16.pdf'], false]);

  state.hash = 'b';
  await list.savePaper();
  expect([state.saved.length, list.isOutdated]).toEqual([1, true]);
  await list.prepare('staff/a');
  expect([list.isOutdated, list.savedAs]).toEqual([false, '']);
});

test('[FL5] what the unit refuses is said, and the list stays unsigned', async () => {
  const { state, list } = unit();
  await list.prepare('staff/a');
  state.refusal = 'The list has changed since it was prepared. Prepare it again.';

  await list.sign('staff/b');

  expect([list.notTold, list.signedBy]).toEqual([state.refusal, '']);
});
