/** What the layers below tell, in the language spoken; and what stays English, marked so. */
import { afterEach, expect, test } from 'vitest';
import { speak } from '../state/language.svelte';
import { readTold, tell } from '../told';
import { CLOSES, OPENS } from './messages/pseudo';
import { inEnglish, isEnglishHere } from './say';
import { sayTold } from './told';

afterEach(() => speak('en'));

const NESTED = tell('notSaved', { why: tell('readsOnly', { at: 'place', place: 'close-out' }) });

test('a code is said with its values, what is told within it too', () => {
  expect(sayTold(NESTED)).toBe(
    'NOT SAVED. This window only reads: entries are made in another window of this tablet, at Close-out. Do it there, or close that window and press again.',
  );
  expect(sayTold(tell('readsOnlyNow', { at: 'other', place: '', also: '' }))).toMatch(/here\.$/);
  expect(sayTold(tell('setAside', { count: 1, why: tell('forked') }))).toMatch(
    /^1 entry was set aside for the data manager: Two devices have written/,
  );
  expect(sayTold('')).toBe('');
});

/** A cause within German words is said in German, and no mark stands in their middle. */
test('[HAZ-50] a sentence that is not reviewed is English to its end, with one mark', async () => {
  await speak('de');

  expect(sayTold(tell('notSaved', { why: tell('nobodyTaps') }))).toBe(
    '[EN] NOT SAVED. Nobody is named as tapping. Choose who taps, then press again.',
  );
  expect(sayTold(tell('nobodyTaps'))).toMatch(/^Niemand ist als/);
  expect(sayTold(tell('nothingTaken', { why: tell('fileForeign') }))).toBe(
    'Nichts wurde übernommen. Die Datei ist kein Bündel dieses Programms. Die gespeicherte wählen.',
  );
  expect(sayTold(tell('nothingTaken', { why: 'disk I/O error' }))).toBe(
    'Nichts wurde übernommen. [EN] disk I/O error',
  );
});

test('[HAZ-50] what the unit or an engine says stays English, marked once', async () => {
  const ofUnit = 'This code is not known. Ask for a new one.';
  expect(sayTold(ofUnit)).toBe(ofUnit);
  expect(inEnglish(ofUnit)).toBe(ofUnit);
  await speak('es');

  expect(sayTold(ofUnit)).toBe(`[EN] ${ofUnit}`);
  expect(inEnglish(inEnglish(ofUnit))).toBe(`[EN] ${ofUnit}`);
  expect(inEnglish('')).toBe('');
  expect([isEnglishHere(`[EN] ${ofUnit}`), isEnglishHere('Hecho.')]).toEqual([true, false]);
});

test('[UX-21] nothing that is told lies outside of the catalogue', async () => {
  await speak('en-XA');
  const said = sayTold(NESTED);

  expect(said.startsWith(OPENS) && said.endsWith(CLOSES)).toBe(true);
});

test('a row that was cut off, or is of a newer version, is shown as it lies there', () => {
  expect(readTold('told:setAside {"count":1,')).toBeNull();
  expect(readTold('NOT SAVED. The disk is full.')).toBeNull();
  expect(sayTold('told:setAside {"count":1,')).toBe('told:setAside {"count":1,');
  expect(sayTold('told:ofTomorrow {"n":1}')).toBe('told:ofTomorrow {"n":1}');
});
