import { readdirSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { sayEnglish } from './messages/written';

const SOURCES = fileURLToPath(new URL('..', import.meta.url));
const SAYS_FIRST = /^(NOT SAVED|Saved)[.:] /;
const FAILURE =
  /\b(could not|cannot be|did not|was not|were not|refused|nothing was|not made|not opened|not saved)\b/i;

/** Sentences about a failure while nothing was being saved: how each begins, and why so. */
const NOTHING_ENTERED: Readonly<Record<string, string>> = {
  'Nothing was changed on this device.': 'joining a unit, told beside its refusal',
  'The unit was not asked what it set aside.': 'a question to the unit',
  'Plans were not checked a second time just now.': 'a question to the unit',
  'NOT OPENED. Nothing is lost.': 'a place whose file could not be read',
  'Cannot be checked.': 'what the second check said of a plan',
  'The unit cannot be reached.': 'bringing a case back',
  'Unit refused': 'the status line, beside what is unsent',
  'Did not come': 'an outcome of a visit',
  'did not come': 'an outcome of a visit',
  'Recorded: did not come.': 'an outcome of a visit that was saved',
  'Nothing was changed. The records': 'a store of a newer version, not opened',
  'Nothing was taken in. ': 'a file that was opened',
  'The device did not join. ': 'joining a unit',
  'The unit did not answer. Check': 'joining a unit',
  'The unit refused the request': 'the status line, beside what is unsent',
  'of a newer version of the app': 'signing, before anything is entered',
};

function sources(folder: string): [name: string, text: string][] {
  return readdirSync(SOURCES + folder, { recursive: true, encoding: 'utf8' })
    .filter((name) => /\.(ts|svelte)$/.test(name) && !name.endsWith('.test.ts'))
    .map((name) => [name, readFileSync(`${SOURCES}${folder}/${name}`, 'utf8')]);
}

/** The texts between quotes or backticks, comments left out. */
function literals(source: string): string[] {
  const code = source.replace(/\/\*[\s\S]*?\*\//g, '').replace(/^\s*\/\/.*$/gm, '');
  const found = code.matchAll(/'((?:[^'\\\n]|\\.)*)'|"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`/g);
  return [...found].map(([, one, two, three]) => one ?? two ?? three ?? '');
}

const isTold = (sentence: string) =>
  SAYS_FIRST.test(sentence) ||
  Object.keys(NOTHING_ENTERED).some((beginning) => sentence.includes(beginning));

/** Has caught: "The file was not made." as it stood, with nothing said of what was entered. */
test('[UX-24] each sentence on a failure first says whether what was entered is safe', () => {
  const said = [
    ...sources('text').flatMap(([name, text]) =>
      literals(text).map((sentence) => ({ name, sentence })),
    ),
    ...sayEnglish('x').map(({ key, text }) => ({ name: key, sentence: text })),
  ];
  const all = said.filter(({ sentence }) => FAILURE.test(sentence));
  const safe = all.filter(({ sentence }) => SAYS_FIRST.test(sentence));

  expect(all.filter(({ sentence }) => !isTold(sentence))).toEqual([]);
  expect(safe.length).toBeGreaterThanOrEqual(6);
  expect(all.length).toBeGreaterThan(safe.length);
});

/**
 * What keeps something from being saved is a code, said by `causes` of the catalogue.
 *
 * Has caught: an answer `not-saved` whose sentence began with "The store has stopped".
 */
test('[UX-24] every answer "not saved" in the program begins with NOT SAVED', () => {
  const english = new Map(sayEnglish('x').map(({ key, text }) => [key, text]));
  const answers = ['storage', 'state', 'network'].flatMap((folder) =>
    sources(folder).flatMap(([name, text]) =>
      // The code lies in the same object, or right before it; types have none.
      [...text.matchAll(/([\s\S]{0,120})kind: 'not-saved',\s*sentence([\s\S]{0,120})/g)].map(
        ([, before = '', after = '']) => {
          const from = after.startsWith(':') ? after : before;
          return { name, codes: literals(/tell\(([^)]*)/.exec(from)?.[1] ?? from) };
        },
      ),
    ),
  );
  const said = answers
    .filter(({ codes }) => codes.length > 0)
    .map(({ name, codes }) => {
      const known = codes.map((code) => english.get(`causes.${code}`) ?? code);
      return { name, sentences: known.filter((one) => /\s/.test(one)) };
    });

  expect(said.filter(({ sentences }) => !sentences.every((one) => SAYS_FIRST.test(one)))).toEqual(
    [],
  );
  expect(said.filter(({ sentences }) => sentences.length > 0).length).toBeGreaterThanOrEqual(5);
});
