import { afterEach, expect, test } from 'vitest';
import { about } from '../text/about';
import { clinic } from '../text/clinic';
import { say, words } from '../text/say';
import { surveillance } from '../text/surveillance';
import { transfer } from '../text/transfer';
import { drugsWords } from '../text/workup';
import { choose, type LanguageTag, language, speak, speakAsKept, tagOf } from './language.svelte';
import { dayWords, distanceWords, monthMarks, rangeWords } from './surveillance-dates';

afterEach(() => speak('en'));

test('a sentence follows the language from the moment it is chosen', async () => {
  const title = () => about.title;
  expect(title()).toBe('About Crura');
  await speak('de');
  expect(title()).toBe('Über Crura');
  await speak('es');
  expect(title()).toBe('Acerca de Crura');
  expect(surveillance.makePlan(1)).toBe('Hacer este plan: 1 visita');
  expect(surveillance.makePlan(4)).toBe('Hacer este plan: 4 visitas');
});

/** Has caught: a safety sentence that was said in German although nobody had reviewed it. */
test('[HAZ-50] an unreviewed sentence on safety is said in English with a mark', async () => {
  await speak('de');

  expect(about.use[2]).toMatch(/^\[EN\] It is not a certified medical device\./);
  expect(drugsWords.hold('Warfarin', 'X', 5)).toBe('[EN] Warfarin: last intake X (5 days before).');
  expect(transfer.failed('W')).toMatch(/^\[EN\] NOT SAVED\. /);
});

test('[HAZ-50] a sentence without a translation is said in English with a mark', async () => {
  await speak('de');
  const kept = language.current.messages as Map<string, unknown>;
  const before = kept.get('about.title');
  kept.delete('about.title');

  expect(about.title).toBe('[EN] About Crura');
  kept.set('about.title', before);
  await speak('en');
  expect(about.title).toBe('About Crura');
});

/** Has caught: "Wunsch des Patienten" as the reason in a record. */
test('[HAZ-50] the record keeps a reason in English, whatever was pressed', async () => {
  await speak('de');
  const [first] = clinic.outsideReasons(true).slice(1);

  expect(first).toMatchObject({ id: 'Patient asked', words: 'Wunsch des Patienten' });
  expect(clinic.outsideReasons(true).at(-1)?.id).toBe('Other, note later');
  const ids = (isOver: boolean) => clinic.outsideReasons(isOver).map(({ id }) => id);
  expect(ids(true)).toEqual([
    ...ids(false).slice(0, -1),
    'Window already over',
    'Other, note later',
  ]);
  expect(clinic.met(true).reasons[0]).toMatchObject({
    id: 'Nobody answered',
    words: 'Niemand antwortete',
  });
  expect(clinic.because.another).toBe('Move to another session');
});

test('days are written as people read them, by the names of their language', async () => {
  const read = () => [
    dayWords('2026-03-03'),
    rangeWords('2026-03-03', '2026-05-17'),
    rangeWords('2025-12-30', '2026-01-02'),
    distanceWords('2026-03-04', '2026-03-03'),
    distanceWords('2026-03-01', '2026-03-03'),
    monthMarks('2025-12-15', '2026-03-30')[0]?.words,
  ];
  expect(read()).toEqual([
    'Tue 3 Mar 2026',
    '3 Mar – 17 May 2026',
    '30 Dec 2025 – 2 Jan 2026',
    'in 1 day',
    '2 days ago',
    'Jan 2026',
  ]);
  await speak('de');
  expect(read()).toEqual([
    'Di 3. Mär 2026',
    '3. Mär – 17. Mai 2026',
    '30. Dez 2025 – 2. Jan 2026',
    'in 1 Tag',
    'vor 2 Tagen',
    'Jan 2026',
  ]);
  await speak('es');
  expect(read().slice(0, 2)).toEqual(['mar 3 mar 2026', '3 mar – 17 may 2026']);
});

test('what was chosen is kept, and spoken after a restart', async () => {
  const kept = new Map<string, unknown>();
  const store = {
    remember: async (name: string, content: unknown) => void kept.set(name, content),
    recall: async (name: string) => (kept.get(name) ?? null) as string | null,
  };
  expect(await choose(store, 'es')).toBe(true);
  await speak('en');
  await speakAsKept(store);
  expect(language.current.tag).toBe('es');
});

test('a store that refuses is told of; the language is spoken all the same', async () => {
  const refusing = {
    remember: async () => {
      throw new Error('full');
    },
  };
  expect(await choose(refusing, 'de')).toBe(false);
  expect(language.current.tag).toBe('de');
});

test('a tablet opens in English where what was kept cannot be read', async () => {
  await speak('de');
  await speakAsKept({
    recall: async () => {
      throw new Error('closed');
    },
  });
  expect(language.current.tag).toBe('en');
  expect(['fr', 7, null, 'de'].map(tagOf)).toEqual(['en', 'en', 'en', 'de']);
});

test('[UX-21] the pseudo-language puts brackets around sentences and leaves values as they are', async () => {
  const said: Record<string, string> = {};
  for (const tag of ['en-XA', 'ar-XB'] satisfies LanguageTag[]) {
    await speak(tag);
    said[tag] = clinic.free(2, 10);
  }
  expect(said['en-XA']).toMatch(/^⟦2 .* 10 .*⟧$/);
  expect(language.current.direction).toBe('rtl');
  expect(said['ar-XB']).toMatch(/^⟦2.*\u202e.*\u202c.*⟧$/);
});

test('a missing key or argument is no program', () => {
  // @ts-expect-error there is no such sentence
  say('clinic.nothing', {});
  // @ts-expect-error the argument is missing
  say('clinic.free', { free: 1 });
  // @ts-expect-error a plural takes a number
  say('surveillance.makePlan', { count: 'two' });
  const said = words('clinic');
  // @ts-expect-error it takes an argument, so it is no plain text
  expect(said.free).toBeUndefined();
  // @ts-expect-error there is no such section
  words('clinics');
});
