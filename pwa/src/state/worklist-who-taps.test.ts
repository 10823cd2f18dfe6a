import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Draft, RecordStore, SaveAnswer } from '../ports';
import { Tablet } from './tablet.svelte';
import { Worklist } from './worklist.svelte';
import { cancelDraft } from './worklist-acts';
import { bookedOn, TODAY, visit } from './worklist-samples';

/** A desk at which nobody was named yet; what it saves is kept with who tapped. */
function desk() {
  const saved: [record: string, tappedBy: string, owner: unknown][] = [];
  const store = {
    onExchange: () => () => {},
    onRecords: () => () => {},
    read: async () => [],
    remember: async () => {},
    save: async (drafts: readonly Draft[], { tappedBy }: { tappedBy: string }) => {
      for (const { record, set } of drafts) saved.push([record, tappedBy, set?.owner]);
      return { kind: 'saved', references: drafts.map(() => 'd.e1.1#00') } as unknown as SaveAnswer;
    },
  } as unknown as RecordStore;
  const clock = { today: () => TODAY, nowMs: () => 0, nowIso: () => `${TODAY}T09:00:00Z` };
  const tablet = new Tablet(store, clock as never);
  const work = new Worklist({
    store,
    tablet,
    clock: clock as never,
    ids: { newId: () => 'id' },
    ruleBook: packagedRuleBook(TODAY),
  });
  const act = (id: string) =>
    work.act('cancelled', (course) => [
      cancelDraft(visit(id, bookedOn(TODAY)), 'patient', 'Unwell', course),
    ]);
  return { work, tablet, saved, act };
}

/** Has caught a planted bug: an act saved as "unnamed" before anybody was asked. */
test('before the first act it is asked who taps, and the act is recorded by the one named', async () => {
  const { work, tablet, saved, act } = desk();

  const first = act('a');
  expect([work.isAskingWho, saved]).toEqual([true, []]);
  await tablet.chooseWhoTaps('staff/cass', 'Cass', 'booking');
  work.closeWho();

  expect(await first).toBe(true);
  expect(saved).toEqual([['visit/a', 'staff/cass', 'staff/cass']]);
  expect(work.isAskingWho).toBe(false);
  expect(await act('b')).toBe(true);
  expect(saved.map(([record]) => record)).toEqual(['visit/a', 'visit/b']);
});

test('where nobody is named nothing is recorded, and it is asked again', async () => {
  const { work, saved, act } = desk();

  const first = act('a');
  work.closeWho();
  expect(await first).toBe(false);
  const second = act('a');
  expect(work.isAskingWho).toBe(true);
  work.closeWho();

  expect(await second).toBe(false);
  expect(saved).toEqual([]);
});

test('[HAZ-14] an act pressed twice while it is asked is recorded once', async () => {
  const { work, tablet, saved, act } = desk();

  const both = [act('a'), act('a')];
  await tablet.chooseWhoTaps('staff/cass', 'Cass', 'booking');
  work.closeWho();

  expect(await Promise.all(both)).toEqual([false, true]);
  expect(saved).toHaveLength(1);
});
