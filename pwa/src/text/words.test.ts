/**
 * Every English string of `text/`, from the catalogue and from the sources as the compiler reads
 * them: its length at the bedside, words that are not ours, numbers as people may read them, and
 * how hard it is to read.
 */
import ts from 'typescript';
import { expect, test } from 'vitest';
import protocol from '../../../api/clinical_rules/data/step_protocols/coil_and_adhesive.v2.json';
import { sayEnglish } from './messages/written';

const SOURCES = import.meta.glob(['./*.ts', '!./*.test.ts'], {
  query: '?raw',
  import: 'default',
  eager: true,
}) as Record<string, string>;

interface Said {
  file: string;
  /** The key or function that the string stands under. */
  key: string;
  /** What varies is a place of one word. */
  text: string;
  /** Of a sentence of the catalogue: its whole key. */
  path?: string;
}
const PLACE = 'x';

/** Return the strings of a source that a person may see; imports, types and keys left out. */
function stringsOf(file: string, source: string): Said[] {
  const found: Said[] = [];
  const say = (key: string, text: string) => found.push({ file, key, text });
  const walk = (node: ts.Node, key: string): void => {
    if (ts.isImportDeclaration(node) || ts.isTypeNode(node) || ts.isTypeAliasDeclaration(node)) {
      return;
    }
    if (ts.isStringLiteral(node) || ts.isNoSubstitutionTemplateLiteral(node)) {
      if (!ts.isPropertyAssignment(node.parent) || node.parent.initializer === node) {
        say(key, node.text);
      }
    } else if (ts.isTemplateExpression(node)) {
      const rest = node.templateSpans.map(({ literal }) => PLACE + literal.text).join('');
      say(key, node.head.text + rest);
      for (const { expression } of node.templateSpans) walk(expression, key);
    } else {
      const isNamed =
        ts.isPropertyAssignment(node) ||
        ts.isVariableDeclaration(node) ||
        ts.isFunctionDeclaration(node) ||
        ts.isMethodDeclaration(node);
      const name = isNamed && node.name ? node.name.getText() : key;
      ts.forEachChild(node, (inner) => walk(inner, name));
    }
  };
  walk(ts.createSourceFile(file, source, ts.ScriptTarget.Latest, true), '');
  return found;
}

/** The sentences of the catalogue: a section counts as a file. */
const CATALOGUE: Said[] = sayEnglish(PLACE).map(({ key, text }) => ({
  file: `en.json: ${key.split('.', 1)[0]}`,
  key: key.split('.').at(-1) ?? key,
  text,
  path: key,
}));

const ALL = [
  ...Object.entries(SOURCES).flatMap(([file, source]) => stringsOf(file.replace('./', ''), source)),
  ...CATALOGUE,
];
/** Ids and units are single words in small letters; what has a space is said to somebody. */
const SPOKEN = ALL.filter(({ text }) => /\S\s+\S/.test(text));

const wordsOf = (text: string) => text.split(/\s+/).filter((word) => /[\p{L}\p{N}]/u.test(word));

test('the search finds what it should: keys, templates, functions', () => {
  const source =
    "const a = { 'no key': 'one two', b: (n: 'x y') => `up to #{n} of #{'in side'}` };".replaceAll(
      '#',
      '$',
    );

  expect(stringsOf('f', source).map(({ key, text }) => `${key}: ${text}`)).toEqual([
    "'no key': one two",
    'b: up to x of x',
    'b: in side',
  ]);
  expect(SPOKEN.length).toBeGreaterThan(900);
});

// --- length at the bedside (UX-19)

/** What stands on Procedure, and of "This tablet" what follows a person there. */
const AT_THE_BEDSIDE = /^en\.json: (procedure|steps|acts|drawing|status|edge|wipe|start)$/;
/** Read beside a short question, or asked by a version of the protocol that is no longer given. */
const BESIDE = /^steps\.(details|earlierAsks)\./;
/** Longer for a reason; each must still be longer, or it leaves this list. */
const LONGER: Record<string, string> = {
  licence: 'a caution on the licence: 25 words at most (CAU-05, CAU-13)',
  aboveSoft: 'a soft remark with two numbers: 20 words at most (GATE-07)',
};

function bedsideStrings(): Said[] {
  return SPOKEN.filter(({ file, path }) => AT_THE_BEDSIDE.test(file) && !BESIDE.test(path ?? ''));
}

/**
 * It found four of seven to nine words, which were then shortened. What it lets pass is named.
 */
test('[UX-19] a string at the bedside has at most six words', () => {
  const strings = bedsideStrings();
  const long = strings.filter(({ text }) => wordsOf(text).length > 6);

  expect(strings.length).toBeGreaterThan(180);
  expect(strings.some(({ text }) => text === 'Keep holding')).toBe(true);
  expect(long.filter(({ key }) => LONGER[key] === undefined)).toEqual([]);
  expect(new Set(long.map(({ key }) => key))).toEqual(new Set(Object.keys(LONGER)));
  for (const { text } of long) expect(wordsOf(text).length).toBeLessThanOrEqual(20);
});

/** Caught a planted bug: "Is the gas sucked out of there?" in place of "Gas sucked out?". */
test('[UX-19] a question of the step protocol has at most six words', () => {
  expect(protocol.rows.filter(({ ask }) => wordsOf(ask).length > 6)).toEqual([]);
});

test('[UX-19] what a question leaves out has at most thirteen words', () => {
  const details = protocol.rows.flatMap((row) => ('detail' in row ? [row.detail] : []));
  expect(details.length).toBeGreaterThan(20);
  expect(details.filter((detail) => wordsOf(detail ?? '').length > 13)).toEqual([]);
});

// --- words that are not ours (UX-20)

const BANNED = /\b(volume|gl[u]e|cc|dose|N\/A|mLs|mcg)\b/i;

/** Caught a planted bug: "Dose given" as the name of the amount. */
test('[UX-20] [HAZ-04] no string says volume, dose, cc, or the word for what is no adhesive', () => {
  const found = ALL.filter(({ text }) => BANNED.test(text));

  expect(BANNED.test('0.5 cc')).toBe(true);
  expect(found).toEqual([]);
});

/** Each is one key's words; where an amount stands, its liquid stands in the same string. */
const LIQUIDS = /adhesive|mix|flush|water|oil|saline|dextrose|prime|dead space|slowly/i;
const NAMELESS: Record<string, string> = {
  unit: 'the unit alone, beside a field that names the liquid',
  amountWords: 'a number of the record; the field is named before it',
  clearance: 'mL/min: creatinine clearance',
};

test('[HAZ-04] where a string has mL, it names the liquid', () => {
  const withAmount = ALL.filter(({ text }) => /\bmL\b/.test(text));
  const bare = withAmount.filter(({ text, key }) => !LIQUIDS.test(text) && !NAMELESS[key]);

  expect(withAmount.length).toBeGreaterThan(0);
  expect(bare).toEqual([]);
});

// --- numbers as the ISMP list of error-prone abbreviations wants them (UX-08)

const MALFORMED = [
  [/(^|[^\d.])\.\d/, 'no leading zero'],
  [/\d\.0\b(?!\.)/, 'a trailing zero'],
  [/\d(mm|mL|mg|kg|cm|min|h|s)\b/, 'no space before the unit'],
  [/\bml\b|\bMM\b|\bMl\b/, 'another spelling of the unit'],
] as const;

test.each(MALFORMED)('[UX-08] no string has %s: %s', (pattern) => {
  // "MELD 3.0" is the name of a score.
  const found = SPOKEN.filter(({ text }) => pattern.test(text.replaceAll('MELD 3.0', 'MELD')));

  expect(found).toEqual([]);
});

// --- how hard it is to read (UX-19)

/**
 * Return the grade of a passage by Kincaid, Fishburne, Rogers and Chissom 1975 (Research Branch
 * Report 8-75): 0.39 words a sentence + 11.8 syllables a word - 15.59. Syllables are counted as
 * groups of vowels, a silent e at the end left out.
 */
function gradeOf(sentences: readonly string[]): number {
  const words = sentences.flatMap(wordsOf);
  const ends = sentences.join(' ').match(/[.?!:;](\s|$)/g)?.length ?? 1;
  const syllables = words.reduce((sum, word) => sum + syllablesOf(word), 0);
  return (0.39 * words.length) / ends + (11.8 * syllables) / words.length - 15.59;
}

function isSentence({ text }: Said): boolean {
  return /[.?]$/.test(text.trim());
}

function syllablesOf(word: string): number {
  const letters = word
    .toLowerCase()
    .replace(/[^a-z]/g, '')
    .replace(/([^laeiouy]es|[^td]ed|[^laeiouy]e)$/, '')
    .replace(/^y/, '');
  return Math.max(1, letters.match(/[aeiouy]{1,2}/g)?.length ?? 1);
}

test('the grade tells plain words from others', () => {
  const plain = ['The cat sat on the mat.', 'Press the red key and wait.'];
  const hard = [
    'Notwithstanding contraindications, endosonographic obliteration necessitates individualised consideration of haemodynamic circumstances.',
  ];

  expect(['coil', 'measured', 'adhesive', 'needle', 'ultrasound'].map(syllablesOf)).toEqual([
    1, 2, 3, 2, 3,
  ]);
  expect(gradeOf(plain)).toBeLessThan(3);
  expect(gradeOf(hard)).toBeGreaterThan(16);
});

/** Of a passage: one sentence alone is measured below. */
const FILES = [...new Set(SPOKEN.filter(isSentence).map(({ file }) => file))].filter(
  (file) => SPOKEN.filter((one) => one.file === file && isSentence(one)).length > 1,
);

test.each(FILES)('[UX-19] the sentences of %s are of grade 8 at most', (file) => {
  const texts = SPOKEN.filter((one) => one.file === file && isSentence(one));

  expect(gradeOf(texts.map(({ text }) => text))).toBeLessThanOrEqual(8);
});

/** What the app is for, in the words of the trade: they have no shorter ones. */
const INTENDED_USE = /gastric varices (treated )?under endoscopic ultrasound\.$/;

test('[UX-19] no sentence alone is longer than 25 words or above grade 12', () => {
  const sentences = SPOKEN.flatMap(({ file, key, text }) =>
    text.split(/(?<=[.?!:;])\s+/).map((sentence) => ({ file, key, sentence })),
  ).filter(({ sentence }) => wordsOf(sentence).length > 8 && !INTENDED_USE.test(sentence));

  expect(sentences.length).toBeGreaterThan(40);
  expect(sentences.filter(({ sentence }) => wordsOf(sentence).length > 25)).toEqual([]);
  expect(sentences.filter(({ sentence }) => gradeOf([sentence]) > 12)).toEqual([]);
});
