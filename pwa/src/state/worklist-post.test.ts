import { expect, test } from 'vitest';
import type { RecordStore } from '../ports';
import { lettersFor, UnitPost } from './worklist-post.svelte';
import { bookedOn, rowOfVisit, TODAY, visit } from './worklist-samples';

const LETTERS = { kind: 'told', pdf: btoa('%PDF'), letters: [{ visit: 'visit/a' }], withheld: [] };

function postWith(answers: Partial<Record<'letters' | 'reminders', unknown>>, unsent = 0) {
  const saved: string[] = [];
  const asked: unknown[] = [];
  const store = {
    exchangeNow: async () => ({ state: 'resting', unsent }),
    unitLetters: async (...args: unknown[]) => {
      asked.push(args);
      return answers.letters;
    },
    unitReminders: async () => answers.reminders,
  } as unknown as RecordStore;
  const post = new UnitPost(store, (_, type, name) => saved.push(`${name} ${type}`));
  return { post, saved, asked };
}

test('[FU-08] the letters that fit where a visit stands, the usual one first', () => {
  const kinds = (fields: Parameters<typeof visit>[1]) => lettersFor(rowOfVisit(visit('a', fields)));

  expect(kinds(bookedOn(TODAY))).toEqual(['appointment', 'moved']);
  expect(kinds({ status: 'no-show' })).toEqual(['missed', 'please_call']);
  expect(kinds({ status: 'cancelled' })).toEqual(['cancelled', 'please_call']);
  expect(kinds({})).toEqual(['please_call']);
});

test('[HAZ-45] letters are made of what the unit holds: with entries on their way none is', async () => {
  const waiting = postWith({ letters: LETTERS }, 1);
  await waiting.post.makeLetters('appointment', [{ visit: 'visit/a' }], TODAY);
  expect(waiting.post.state).toEqual({ kind: 'unsent' });
  expect(waiting.asked).toEqual([]);

  const sent = postWith({ letters: LETTERS });
  const seen = [{ visit: 'visit/a', on: TODAY, time: '09:00' }];
  await sent.post.makeLetters('appointment', seen, TODAY);
  expect(sent.asked).toEqual([['appointment', seen]]);
  expect(sent.saved).toEqual([`letters-${TODAY}.pdf application/pdf`]);
  expect(sent.post.state).toMatchObject({ kind: 'letters', count: 1 });
});

test('where every letter was withheld no file is made, and it says why', async () => {
  const withheld = [{ visit: 'visit/a', reason: 'The patient has died.' }];
  const { post, saved } = postWith({ letters: { kind: 'told', pdf: null, letters: [], withheld } });
  await post.makeLetters('missed', [{ visit: 'visit/a' }], TODAY);

  expect(post.state).toEqual({ kind: 'letters', count: 0, withheld });
  expect(saved).toEqual([]);
});

test('[FU-10] reminders become a file; a refusal and a device alone say so', async () => {
  const told = { kind: 'told', csv: 'a', reminders: [{ reference: 'r' }], withheld: [] };
  const { post, saved } = postWith({ reminders: told });
  await post.makeReminders(TODAY, TODAY);
  expect(saved).toEqual([`reminders-${TODAY}.csv text/csv;charset=utf-8`]);

  for (const [sentence, kind] of [
    ['', 'alone'],
    ['State the phone number of the unit.', 'refused'],
  ] as const) {
    const other = postWith({ reminders: { kind: 'not-told', sentence } });
    await other.post.makeReminders(TODAY, TODAY);
    expect(other.post.state.kind).toBe(kind);
    expect(other.saved).toEqual([]);
  }
});
