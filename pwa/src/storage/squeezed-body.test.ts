/** Squeezed bodies are exact, small, and sound after a rollback. */
import fc from 'fast-check';
import { beforeEach, expect, test } from 'vitest';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { writeBody } from '../sync/body';
import type { JsonContent } from '../sync/canonical-text';
import { type MemoryDisk, openMemoryDisk } from './memory-database';
import { applyMigrations } from './migrations';
import { deleteOperation } from './operation-rows';
import { OperationStore } from './operation-store';
import { Phrases, phrasesOf } from './phrases';
import { squeezeBody, unsqueezeBody } from './squeezed-body';

let disk: MemoryDisk;
let phrases: Phrases;
beforeEach(async () => {
  disk = await openMemoryDisk();
  applyMigrations(disk.database);
  phrases = phrasesOf(disk.database);
});

/** What another connection reads: nothing that is only in memory. */
const again = (bytes: Uint8Array) => unsqueezeBody(bytes, new Phrases(disk.database));

const texts = fc.oneof(
  fc.string({ unit: 'binary', maxLength: 30 }).filter((text) => text.isWellFormed()),
  fc.constantFrom('', 'case/c-1', 'done', '\u0001', '\u0003\u0004', '\\', '"', ':', '12', 'null'),
);
const names = fc.oneof(texts, fc.constantFrom('set', 'over', 'retract', '__proto__', 'a":1,"b'));
const values = fc.letrec<{ value: JsonContent }>((tie) => ({
  value: fc.oneof(
    { depthSize: 'small' },
    texts,
    fc.integer(),
    fc.constantFrom(null, true, false),
    fc.array(tie('value'), { maxLength: 3 }),
    fc.dictionary(names, tie('value'), { maxKeys: 3 }),
  ),
})).value;
const hex = (length: number) =>
  fc.string({ unit: fc.constantFrom(...'0123456789abcdef'), minLength: length, maxLength: length });
const bodies = fc
  .record({
    salt: hex(32),
    by: texts,
    tappedBy: texts,
    catalogue: fc.nat(200),
    set: fc.dictionary(names, values, { minKeys: 1, maxKeys: 4 }),
    over: fc.dictionary(names, fc.array(hex(16).map((digits) => `tablet-a.ep01.7#${digits}`))),
    retract: fc.array(
      hex(16).map((digits) => `tablet-a.ep01.7#${digits}`),
      { maxLength: 2 },
    ),
    because: texts,
  })
  .map(writeBody);

/** The planted bug it has caught: a number of a phrase from 128 on read by its last group alone. */
test('[OP4] every body comes back to the letter, whatever it holds', () => {
  fc.assert(
    fc.property(bodies, (text) => {
      expect(again(squeezeBody(text, phrases))).toBe(text);
    }),
    { numRuns: 400, seed: 20_261_126 },
  );
});

/** The planted bug it has caught: a text with a mark of ours in it squeezed all the same. */
test('[OP4] so does a text that no device of this program writes', () => {
  const spaced = '{ "salt" : "0123456789abcdef0123456789abcdef", "set":{"a": 1.50e3}}';
  const turned = '{"by":"x","salt":"0123456789abcdef0123456789abcdef","set":{"a":1}}';
  const bare = '{"salt":"0123456789abcdef0123456789abcdef","by":"x"}';
  const marked = '{"salt":"0123456789abcdef0123456789abcdef","by":"x","set":{"a":"\u0003"}}';
  for (const text of [spaced, turned, bare, marked, '', '{}', '\ufeff{}', 'null']) {
    expect(again(squeezeBody(text, phrases)), text).toBe(text);
  }
  fc.assert(
    fc.property(texts, (text) => {
      expect(again(squeezeBody(text, phrases))).toBe(text);
    }),
  );
});

test('a body like those before it takes less than a third', () => {
  const bodyOf = (place: number) =>
    writeBody({
      salt: String(place).padStart(32, '0'),
      by: 'staff/19ac00000001a1b2c3',
      tappedBy: 'staff/19ac00000002a1b2c3',
      catalogue: 7,
      set: { case: 'case/19ac00000003a1b2c3', step: 'airway', outcome: 'done', at: `1${place}` },
      over: {},
      retract: [],
      because: '',
    });
  squeezeBody(bodyOf(1), phrases);

  expect(3 * squeezeBody(bodyOf(2), phrases).length).toBeLessThan(bodyOf(2).length);
});

/** The planted bug it has caught: numbers kept in memory over a rollback. */
test('[REL-13] what was named in a transaction that failed is named anew', () => {
  const text = '{"salt":"0123456789abcdef0123456789abcdef","by":"x","set":{"case":"case/c-1"}}';
  const fails = () =>
    disk.database.transaction(() => {
      squeezeBody(text, phrases);
      throw new Error('disk is full');
    });
  expect(fails).toThrow('disk is full');
  squeezeBody(text.replace('case/c-1', 'case/c-2').replace('"x"', '"y"'), phrases);

  expect(again(squeezeBody(text, phrases))).toBe(text);
});

/** The planted bug it has caught: a deleted entry that takes the past of the next one along. */
test('[LG1] an entry names the one before it, also where that one was taken out', () => {
  const store = new OperationStore(disk.database, packagedCatalogue());
  const streams = ['care'];
  store.becomeDevice(
    { device: 'tablet-a', role: 'bedside', token: null, unitName: '', streams },
    'ep01',
  );
  for (let place = 1; place <= 3; place++) {
    store.save(
      [{ draftId: `d-${place}`, record: `puncture/p-${place}`, set: { stop_um: place } }],
      { by: 'staff/s-1', tappedBy: 'staff/s-1' },
      { wallMs: 1_000, newSalt: () => String(place).padStart(32, '0') },
    );
  }
  const before = store.logOf('tablet-a', 'ep01', 0, 9);
  expect(disk.database.select('SELECT 1 FROM operation WHERE previous IS NULL')).toHaveLength(3);

  deleteOperation(disk.database, { device: 'tablet-a', epoch: 'ep01', counter: 2 });

  expect(store.logOf('tablet-a', 'ep01', 0, 9)).toEqual([before[0], before[2]]);
});
