/** The catalogue of sentences held against itself, its translations and the sources that use it. */
import { expect, test } from 'vitest';
import {
  argumentsOf,
  compileMessage,
  compileTranslation,
  concernsSafety,
  describeArguments,
  hashReviewed,
  listSentences,
  type SafetyList,
} from './messages/compiler';
import { formMessage, isMessage, type Part } from './messages/message';
import { hash } from './messages/plugin';
import { CLOSES, makePseudo, OPENS, stretch } from './messages/pseudo';
import { formsOf, LANGUAGES, safety, sayEnglish, sentencesOf, written } from './messages/written';

const english = sentencesOf('en');
const SOURCES = import.meta.glob(['../**/*.{ts,svelte}', '!../**/*.test.ts'], {
  query: '?raw',
  import: 'default',
  eager: true,
}) as Record<string, string>;

test('the types of the arguments are those of en.json', async () => {
  await expect(describeArguments(written('en').messages)).toMatchFileSnapshot(
    'messages/arguments.ts',
  );
});

// --- ICU messages

test('a message is said with its arguments, plurals by CLDR', () => {
  const files = compileMessage(
    '{count, plural, =0 {no file} one {# file} other {# files}} of {who}',
  );
  const say = (count: number, tag: string) => formMessage(files, { count, who: 'A' }, tag);

  expect([0, 1, 2].map((count) => say(count, 'en'))).toEqual([
    'no file of A',
    '1 file of A',
    '2 files of A',
  ]);
  // French counts 0 and 1.5 as one, by CLDR.
  const french = compileMessage('{count, plural, one {# jour} other {# jours}}');
  expect([0, 1.5, 2].map((count) => formMessage(french, { count }, 'fr'))).toEqual([
    '0 jour',
    '1.5 jour',
    '2 jours',
  ]);
  const ordinal = compileMessage('{n, selectordinal, one {#st} two {#nd} few {#rd} other {#th}}');
  expect([1, 2, 3, 4].map((n) => formMessage(ordinal, { n }, 'en'))).toEqual([
    '1st',
    '2nd',
    '3rd',
    '4th',
  ]);
  const chosen = compileMessage('{side, select, left {L} other {R}}');
  expect(formMessage(chosen, { side: 'left' }, 'en')).toBe('L');
  expect(formMessage(chosen, { side: 'up' }, 'en')).toBe('R');
  expect(compileMessage("the unit's <b> file")).toBe("the unit's <b> file");
});

/** Has caught: numbers written by the language, where German made 1234.5 into "1.234,5". */
test.each(['en', 'de', 'es', 'ar'])(
  '[HAZ-50] a number has a point and no grouping in %s',
  (tag) => {
    const said = compileMessage('{a}; {a, number}; {a, plural, other {#}}');

    expect(formMessage(said, { a: 1234.5 }, tag)).toBe('1234.5; 1234.5; 1234.5');
    expect(formMessage(said, { a: 0.5 }, tag)).toBe('0.5; 0.5; 0.5');
  },
);

test.each([
  ['{day, date, short}', /plain arguments, number, plural or select/],
  ['{n, number, percent}', /plain arguments, number, plural or select/],
  ['{n, plural, offset:1 one {x} other {y}}', /plain arguments, number, plural or select/],
  ['{n, plural, one {x}}', /ICU message/],
  ['{open', /ICU message/],
])('what is not understood is refused when the app is built: %s', (text, sentence) => {
  expect(() => compileMessage(text)).toThrow(sentence);
});

// --- used, and used as it is

/** Sections of the catalogue by the text module that says them. */
const USERS = Object.entries(SOURCES).flatMap(([file, source]) =>
  // Its comment shows how.
  file.endsWith('/say.ts')
    ? []
    : [...source.matchAll(/\bwords\('(\w+)'\)/g)].map(([, section]) => ({
        section: section ?? '',
        file,
      })),
);

function usesOf(section: string): string {
  const file = USERS.find((user) => user.section === section)?.file ?? '';
  const name = file.replace(/^\.\//, '').replace(/\.ts$/, '');
  const importers = Object.values(SOURCES).filter((source) =>
    new RegExp(`from '[./]*(text/)?${name}'`).test(source),
  );
  return [SOURCES[file] ?? '', ...importers].join('\n');
}

/** What these layers tell by a code is said by `told.ts`. */
const TOLD_FROM = Object.values(
  import.meta.glob(['../{storage,network,device}/*.ts', '!../**/*.test.ts'], {
    query: '?raw',
    import: 'default',
    eager: true,
  }),
).join('\n');

/** It found seven sentences that nobody said any more when it was written. */
test('every sentence is said somewhere', () => {
  const names = new Set([...english.keys()].map((key) => key.split('.', 2).join('.')));
  const uses = new Map(USERS.map(({ section }) => [section, usesOf(section)]));
  const unused = [...names].filter((key) => {
    const [section = '', name = ''] = key.split('.');
    if (section === 'causes') return !TOLD_FROM.includes(`'${name}'`);
    const said = new RegExp(`\\.${name}\\b|'${section}\\.${name}'`);
    return !said.test(uses.get(section) ?? '');
  });

  expect(USERS.length).toBeGreaterThanOrEqual(18);
  expect(usesOf('clinic')).toContain('clinic.noSessions');
  expect(unused).toEqual([]);
});

test('each section is taken by one module', () => {
  const sections = new Set([...english.keys()].map((key) => key.split('.', 1)[0]));

  expect(USERS.map(({ section }) => section).sort()).toEqual([...sections].sort());
});

// --- translations

const kindsOf = (text: string) =>
  [...argumentsOf(compileMessage(text))]
    // English may count where another language does not, and the other way round.
    .map(([name, kind]) => (Array.isArray(kind) ? `${name} of ${kind}` : name))
    .sort();

/** Has caught: a German "{tag}" for "{day}", which would have shown nothing. */
test.each(LANGUAGES)('each sentence of %s takes the arguments of the English one', (language) => {
  const other = sentencesOf(language);
  const wrong = [...other].filter(([key, text]) => {
    const from = english.get(key);
    return from === undefined || kindsOf(from).join() !== kindsOf(text).join();
  });

  expect(wrong).toEqual([]);
  expect(other.size).toBeGreaterThan(600);
});

test.each(['en', ...LANGUAGES] as const)('plurals of %s are those its language has', (language) => {
  const known = new Set([
    ...new Intl.PluralRules(language).resolvedOptions().pluralCategories,
    'other',
  ]);
  const used = [...sentencesOf(language).values()].flatMap((text) => categoriesOf(text));

  expect(used.length).toBeGreaterThan(10);
  expect(used.filter((name) => !known.has(name as Intl.LDMLPluralRule))).toEqual([]);
});

function categoriesOf(text: string): string[] {
  const walk = (parts: readonly Part[]): string[] =>
    parts.flatMap((part) => {
      if (typeof part === 'string' || part === 0 || part[2] === undefined) return [];
      const inner = Object.values(part[2]).flatMap(walk);
      return part[1] === 'plural' ? [...Object.keys(part[2]), ...inner] : inner;
    });
  const message = compileMessage(text);
  return typeof message === 'string' ? [] : walk(message).filter((name) => !name.startsWith('='));
}

test('a list has as many sentences in each language', () => {
  const lengths = (language: 'en' | 'de' | 'es') =>
    [...sentencesOf(language).keys()].filter((key) => /\.\d+$/.test(key)).sort();

  expect(lengths('en').length).toBeGreaterThan(15);
  expect(lengths('de')).toEqual(lengths('en'));
  expect(lengths('es')).toEqual(lengths('en'));
});

// --- words of ours (UX-20)

/** What the glossary bars, in each language; a liquid is named in full. */
const BANNED = {
  de: /\b(Kleber|Klebstoff|Volumen|Dosis|ccm?|ml)\b/i,
  es: /\b(pegamento|cola|volumen|dosis|cc|ml)\b/i,
};

test.each(LANGUAGES)('[UX-20] no sentence of %s has a word that the glossary bars', (language) => {
  // "mL" alone is the unit as it is written everywhere.
  const texts = [...sentencesOf(language).values()].map((text) => text.replace(/\bmL\b/g, ''));

  expect(BANNED[language].test('1 ml')).toBe(true);
  expect(texts.filter((text) => BANNED[language].test(text))).toEqual([]);
});

/** What stands on pads and remarks at the bedside. */
const BEDSIDE = ['entry', 'remarks', 'people'];

test('[UX-19] what pads and remarks say at the bedside has at most six words', () => {
  const said = sayEnglish('x').filter(({ key }) => BEDSIDE.includes(key.split('.', 1)[0] ?? ''));
  const count = (text: string) =>
    text.split(/\s+/).filter((word) => /[\p{L}\d]/u.test(word)).length;

  expect(said.length).toBeGreaterThan(20);
  expect(said.filter(({ text }) => count(text) > 6)).toEqual([]);
});

// --- safety (HAZ-50)

/** Sentences with such words concern safety; whoever writes one puts its key into safety.json. */
const HAZARD =
  /NOT SAVED|protocol|certified|judgement|allerg|identity|last intake|may clear|Training:|no real patients|\boil\b|\bstop|thinner/i;
/** With such a word, and yet no harm in another language. */
const HARMLESS: Record<string, string> = {
  'tablet.pedalStop': 'ends the learning of a key',
  'record.fields.case.step_protocol': 'the name of a field in a history',
  'unitDesk.parts.protocols': 'the name of a part of the desk',
  'fromNetwork.approveReasons.0': 'one of two reasons, which the record keeps in English',
  'caseMove.reasons.0': 'one of three reasons, which the record keeps in English',
};

/** Has caught: a new "Local protocol decides." that was in no list. */
test('[HAZ-50] a sentence on safety is listed as one', () => {
  const found = [...english].filter(([, text]) => HAZARD.test(text)).map(([key]) => key);
  const list = safety();

  expect(found.length).toBeGreaterThan(20);
  expect(found.filter((key) => !concernsSafety(list, key) && !HARMLESS[key])).toEqual([]);
  const keys = [...english.keys()];
  expect(
    list.keys.filter(
      (listed) => !keys.some((key) => key === listed || key.startsWith(`${listed}.`)),
    ),
  ).toEqual([]);
});

test('[HAZ-50] each review names who, when, and the hash of what was read', () => {
  const { reviews } = safety();
  const wrong = LANGUAGES.flatMap((language) =>
    Object.entries(reviews[language] ?? {}).filter(([key, review]) => {
      const [from, text] = [english.get(key), sentencesOf(language).get(key)];
      if (from === undefined || text === undefined) return true;
      const isNamed = review.by.trim() !== '' && /^\d{4}-\d{2}-\d{2}$/.test(review.on);
      return !isNamed || review.of !== hashReviewed(from, text, hash);
    }),
  );

  expect(Object.keys(reviews).sort()).toEqual([...LANGUAGES].sort());
  expect(wrong).toEqual([]);
});

/** Has caught: a review that stayed valid after the English sentence was changed. */
test('[HAZ-50] a sentence on safety is translated only as it was reviewed', () => {
  const compile = (from: string, to: string, list: SafetyList) =>
    compileTranslation({ a: { b: from, c: 'Open' } }, { a: { b: to, c: 'Auf' } }, 'de', list, hash);
  const list = (by: string, of: string): SafetyList => ({
    keys: ['a.b'],
    reviews: { de: { 'a.b': { by, on: '2026-01-05', of } } },
  });
  const right = hashReviewed('Stop', 'Halt', hash);

  expect(compile('Stop', 'Halt', list('R. Reader', right))).toEqual({ a: { b: 'Halt', c: 'Auf' } });
  expect(compile('Stop', 'Halt', list('', right))).toEqual({ a: { c: 'Auf' } });
  expect(compile('Stop here', 'Halt', list('R. Reader', right))).toEqual({ a: { c: 'Auf' } });
  expect(compile('Stop', 'Los', list('R. Reader', right))).toEqual({ a: { c: 'Auf' } });
  expect(compile('Stop', 'Halt', { keys: ['a'], reviews: {} })).toEqual({ a: {} });
  // A name is the same in both: nothing to review.
  expect(compile('Warfarin', 'Warfarin', list('', ''))).toEqual({ a: { b: 'Warfarin', c: 'Auf' } });
});

// --- the language that shows what no catalogue has (UX-21)

test('[UX-21] each sentence of the pseudo-language stands in brackets and is 40 % longer', () => {
  const source = new Map([...english].map(([key, text]) => [key, compileMessage(text)] as const));
  for (const [key, message] of source) {
    const [plain = ''] = formsOf(message, '');
    const pseudo = makePseudo(message, false);
    if (!isMessage(pseudo)) throw new Error(key);
    const [said = ''] = formsOf(pseudo, '');
    if (plain === '') continue;
    expect(said.startsWith(OPENS) && said.endsWith(CLOSES)).toBe(true);
    expect(said.length - 2).toBeGreaterThanOrEqual(plain.length);
  }
  expect(stretch('Allergies')).toBe('ÁÁļļééřğîîééš');
  expect([...stretch('Undo the plan')].length).toBe(Math.ceil(13 * 1.4));
  expect([...stretch('CRP')].length).toBe(5);
});

test('listing a tree gives each sentence its key', () => {
  expect(listSentences({ a: { b: 'x', c: ['y', 'z'] } })).toEqual([
    ['a.b', 'x'],
    ['a.c.0', 'y'],
    ['a.c.1', 'z'],
  ]);
});
