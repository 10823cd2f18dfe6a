import { expect, test } from 'vitest';
import type { Draft, KeepPictureAnswer, RecordState, SaveAnswer } from '../ports';
import type { App } from './app';
import { CasePictures, fileOf } from './picture-work.svelte';

const CHECKED = {
  bytes: new Uint8Array([0xff, 0xd8, 0xff]),
  size: { width: 800, height: 600 },
  takenFrom: 'camera' as const,
  covered: 2,
};
const HASH = 'b'.repeat(64);

function open(kept: KeepPictureAnswer, saved: 'saved' | 'not-saved' = 'saved') {
  const order: string[] = [];
  const drafts: Draft[] = [];
  const tablet = {
    notSaved: '',
    save: async (some: readonly Draft[]): Promise<SaveAnswer> => {
      order.push('record');
      drafts.push(...some);
      if (saved === 'not-saved') {
        tablet.notSaved = 'NOT SAVED. The disk refused.';
        return { kind: 'not-saved', sentence: tablet.notSaved };
      }
      return { kind: 'saved', records: [], references: ['r'] };
    },
  };
  let drawn = 0;
  const app = {
    store: { read: async () => [], onRecords: () => () => {} },
    pictures: {
      store: {
        keepPicture: async () => {
          order.push('bytes');
          return kept;
        },
      },
    },
    tablet,
    ids: { newId: () => `i${++drawn}` },
    clock: { nowIso: () => '2026-03-16T10:00:00+01:00', monotonicMs: () => 0 },
  } as unknown as App;
  return { work: new CasePictures(app, 'c-1'), order, drafts, tablet };
}

test('bytes are on the disk before the record names them', async () => {
  // Planted bug that this caught: both begun at once.
  const { work, order, drafts } = open({ kind: 'kept', sha256: HASH, mediaType: 'image/jpeg' });

  expect(await work.keep(CHECKED)).toBe(true);

  expect(order).toEqual(['bytes', 'record']);
  expect(drafts).toEqual([
    {
      draftId: 'i2',
      record: 'picture/i1',
      set: {
        case: 'case/c-1',
        file: { sha256: HASH, bytes: 3, media_type: 'image/jpeg', width_px: 800, height_px: 600 },
        taken_from: 'camera',
        covered: 2,
        at: '2026-03-16T10:00:00+01:00',
      },
    },
  ]);
});

test('[REL-10] bytes that the disk refuses are NOT SAVED, and no record is written', async () => {
  const sentence = 'NOT SAVED. The tablet’s disk is full.';
  const { work, order, tablet } = open({ kind: 'not-saved', sentence });

  expect(await work.keep(CHECKED)).toBe(false);

  expect(order).toEqual(['bytes']);
  expect(tablet.notSaved).toBe(sentence);
});

test('a record that is not saved does not look kept', async () => {
  const kept = { kind: 'kept', sha256: HASH, mediaType: 'image/jpeg' } as const;
  const { work } = open(kept, 'not-saved');

  expect(await work.keep(CHECKED)).toBe(false);
});

test('a second press while a picture is being kept keeps nothing', async () => {
  const { work, order } = open({ kind: 'kept', sha256: HASH, mediaType: 'image/jpeg' });

  const both = await Promise.all([work.keep(CHECKED), work.keep(CHECKED)]);

  expect(both).toEqual([true, false]);
  expect(order).toEqual(['bytes', 'record']);
});

test('a record without a readable file names none', () => {
  const state = (file: unknown) =>
    ({
      record: 'picture/p',
      fields: { file: { values: [{ value: file }], isConflict: false } },
    }) as unknown as RecordState;

  expect(fileOf(state({ sha256: 7 }))).toBeNull();
  expect(fileOf(state({ sha256: HASH, width_px: '8', height_px: 6 }))).toBeNull();
  expect(
    fileOf(state({ sha256: HASH, media_type: 'image/png', width_px: 8, height_px: 6 })),
  ).toEqual({ sha256: HASH, mediaType: 'image/png', width: 8, height: 6 });
});
