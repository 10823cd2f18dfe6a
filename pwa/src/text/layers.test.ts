/** No layer below the texts writes a sentence: what is said there is in no catalogue. */
import ts from 'typescript';
import { expect, test } from 'vitest';
import { sentencesOf } from './messages/written';

const SOURCES = import.meta.glob(
  ['../{storage,network,device,state}/**/*.ts', '!../**/*.test.ts'],
  {
    query: '?raw',
    import: 'default',
    eager: true,
  },
) as Record<string, string>;

/** Three words in a row, or two that end like a sentence; code and SQL have none. */
const SENTENCE = /\p{L}+(,? \p{L}+){2}|[\p{L}#]{2,} [\p{L}#]+[.:!?](\s|$)/u;
const SQL =
  /^\s*(SELECT|INSERT|UPDATE|DELETE|CREATE|PRAGMA|WITH|WHERE|ORDER|JOIN|DROP|phrase\.|operation\.|own_epoch\b)/;
/** Stand in for the unit's server or a person; no app has them. */
const STANDS_IN =
  /\/(memory-unit|memory-picture-files|memory-second-copy|test-tablet|bedside-bench|bedside-tablet|worklist-samples)\.ts$/;
/** What is written all the same, and why nobody reads it. */
const NOBODY_READS: Record<string, string> = {
  'return all packages': 'the name of a draft',
  'not mr safe': 'what an entered statement is searched for',
  'alarms seen to': 'the name under which a row is kept',
  'Store repaired:': 'how an older version began a notice that may still lie in a store',
  'Transferred to another unit': 'what a record of an older version holds',
};
/** Faults of this program or of a rule file: whoever corrects it reads them, nobody who treats. */
const FAULTS = /Error\($/;
const OF_FAULTS = /\/state\/(override|procedure-limits)\.ts$/;

interface Found {
  file: string;
  text: string;
}

/** Return the texts of a source between quotes, with `#` for what varies. */
function textsOf(file: string, source: string): Found[] {
  const found: Found[] = [];
  const walk = (node: ts.Node): void => {
    if (ts.isImportDeclaration(node) || ts.isTypeNode(node)) return;
    const isPlain = ts.isStringLiteral(node) || ts.isNoSubstitutionTemplateLiteral(node);
    const before = source.slice(0, node.getStart()).trimEnd();
    const isFault = OF_FAULTS.test(file) && FAULTS.test(before);
    if (isPlain && !isFault) found.push({ file, text: node.text });
    else if (ts.isTemplateExpression(node) && !isFault) {
      const rest = node.templateSpans.map(({ literal }) => `#${literal.text}`).join('');
      found.push({ file, text: node.head.text + rest });
    }
    ts.forEachChild(node, walk);
  };
  walk(ts.createSourceFile(file, source, ts.ScriptTarget.Latest, true));
  return found;
}

/** What a record keeps of an act is English, and a sentence of the catalogue. */
const KEPT = new Set(
  [...sentencesOf('en')].flatMap(([key, text]) => (/^record\.kept\./.test(key) ? [text] : [])),
);
const isSentence = ({ text }: Found) => SENTENCE.test(text) && !SQL.test(text) && !KEPT.has(text);

test('the search finds a sentence in quotes, in a template, in an error', () => {
  const source =
    "const a = 'The store has stopped.'; throw new Error(`Saved by ?{who}.`); b('a-code', 'SELECT a FROM b WHERE c');";

  expect(
    textsOf('f', source.replace('?', '$'))
      .filter(isSentence)
      .map(({ text }) => text),
  ).toEqual(['The store has stopped.', 'Saved by #.']);
});

/** Caught a planted bug: "NOT SAVED. The disk is full." written into `store-service.ts`. */
test('[HAZ-50] [UX-21] storage, network, device and state write no sentence', () => {
  const all = Object.entries(SOURCES)
    .filter(([file]) => !STANDS_IN.test(file))
    .flatMap(([file, source]) => textsOf(file, source))
    .filter(isSentence);

  expect(Object.keys(SOURCES).length).toBeGreaterThan(150);
  expect(all.filter(({ text }) => NOBODY_READS[text] === undefined)).toEqual([]);
  expect(new Set(all.map(({ text }) => text))).toEqual(new Set(Object.keys(NOBODY_READS)));
});
