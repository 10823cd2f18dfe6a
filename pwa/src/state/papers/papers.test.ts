/** The papers: the shared vectors, run by `tests/unit/api/test_documents.py` too. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { packagedRuleBook } from '../../clinical-rules/packaged-rule-files';
import type { RecordStore } from '../../ports';
import { drawTarget } from '../target-drawing';
import type { Paper, PaperKind } from './paper';
import { targetSketchOf } from './paper-sketch';
import { readShownCase, readUnitSettings, showRecord } from './read-case';
import type { ShownCase } from './shown-case';
import { writePaper } from './write-paper';

const ON = '2026-03-16';
const BOOK = packagedRuleBook(ON);
const FOLDER = new URL('../../../../tests/conformance/documents/', import.meta.url);
const readJson = (name: string) => JSON.parse(readFileSync(new URL(name, FOLDER), 'utf8'));

interface Vector {
  description: string;
  given: { paper: PaperKind; language: string; case: string; change: Record<string, unknown> };
  expect: Record<string, unknown>;
}

interface Loose {
  record: string;
  shows: Record<string, unknown>;
  conflicts: string[];
}

/** A case as shown, with the changes of a vector: told in the comment of the vectors. */
function shownCase(name: string, change: Record<string, unknown> = {}): ShownCase {
  const held = readJson(`shown_cases/${name}.json`);
  const find = (record: string): Loose => {
    if (record === 'itself' || record === 'patient') return held[record];
    const { itself, patient, records, visits, stock } = held;
    const all: Loose[] = [itself, patient, ...records, ...visits, ...stock];
    const found = all.find((one) => one.record === record);
    if (found === undefined) throw new Error(record);
    return found;
  };
  for (const [key, content] of Object.entries(change)) {
    if (key === 'records') {
      held.records = held.records.filter((one: Loose) =>
        (content as string[]).includes(one.record),
      );
    } else if (key === 'add') held.records.push(...structuredClone(content as Loose[]));
    else if (key === 'conflicts') {
      for (const [record, fields] of Object.entries(content as Record<string, string[]>)) {
        const found = find(record);
        found.conflicts = fields;
        for (const field of fields) delete found.shows[field];
      }
    } else if (key.includes('.')) {
      const [record = '', field = ''] = key.split('.');
      if (content === null) delete find(record).shows[field];
      else find(record).shows[field] = content;
    } else held[key] = content;
  }
  return held;
}

function stepInto(paper: Paper, path: string): unknown {
  return path.split('/').reduce((content: unknown, step) => {
    if (!Array.isArray(content)) return (content as Record<string, unknown>)[step];
    if (/^\d+$/.test(step)) return content[Number(step)];
    return content.find((one) => (Array.isArray(one) ? one[0] : one.heading) === step);
  }, paper);
}

describe('the shared vectors', () => {
  test.each(readJson('write_paper.json').cases as Vector[])('$description', (vector) => {
    const { paper, language, case: name, change } = vector.given;
    const written = writePaper(paper, shownCase(name, change), BOOK, language);
    const said = Object.keys(vector.expect).map((path) => [path, stepInto(written, path)]);

    expect(Object.fromEntries(said)).toEqual(vector.expect);
  });
});

test('[DR1] the drawing on paper is made of the numbers of the sketch', () => {
  const written = writePaper('procedure-report', shownCase('closed_case'), BOOK, 'en');
  const block = written.parts.flatMap(({ blocks }) => blocks).find((one) => one.kind === 'drawing');
  if (block?.kind !== 'drawing') throw new Error('no drawing');
  const drawn = drawTarget(targetSketchOf(block.sketch), 'near');
  const shapes = (layer: string) => (drawn?.shapes ?? []).filter((one) => one.layer === layer);

  expect(shapes('varix')[0]).toMatchObject({ cx: 25_000, rx: 7_000, ry: 10_250 });
  expect(shapes('wall')[0]).toMatchObject({ x1: 17_000, x2: 17_000 });
  expect(shapes('coil')).toHaveLength(2);
  expect(shapes('crus')[0]).toMatchObject({ x: 11_000, width: 6_000 });
});

test('[HARD-06] two answers on one coil are a doubt, though its kind keeps every value', () => {
  const held = (value: unknown, stamp: string) => ({ value, stamp, by: 'staff/w', references: [] });
  const fields = {
    device: { isConflict: false, values: [held({ lot: 'L-1' }, '1'), held({ lot: 'L-2' }, '2')] },
    slot: { isConflict: false, values: [held(1, '1')] },
  };
  const read = (record: string) => showRecord({ record, fields } as never);

  expect(read('coil_placed/o1')).toMatchObject({
    shows: { slot: 1 },
    held: {},
    conflicts: ['device'],
  });
  expect(read('complication/x1')).toMatchObject({
    shows: { device: { lot: 'L-2' } },
    conflicts: [],
  });
});

test('settings that the unit has not stated are empty, and its language is English', () => {
  expect(readUnitSettings(BOOK)).toEqual({
    language: 'en',
    unit_name: '',
    unit_address: '',
    unit_phone: '',
  });
});

test('a case that is not here gives no paper', async () => {
  const store = { read: async () => [] } as unknown as RecordStore;

  expect(await readShownCase('case/none', { store, book: BOOK, today: ON })).toBeNull();
});
