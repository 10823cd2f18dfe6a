/**
 * The implant card: one card for each implant kind and lot, to be cut out and carried. Pure.
 * Twin of `api/documents/implant_card.py`, which names the sources of its fields.
 */
import { isCivilDate } from '../../clinical-rules/civil-date';
import { findCarrier } from '../../clinical-rules/label-carrier';
import { deviceOf, isInDoubt, nameDevice, sayExpiry, sayLot, stockOf } from './case-given';
import type { Face, Paper } from './paper';
import { draftOf, footOf, nameOfPatient, senderOf } from './paper-head';
import type { PaperWords } from './paper-words';
import {
  dayOf,
  ofKind,
  once,
  type Parts,
  type ShownCase,
  type ShownRecord,
  stocked,
  structure,
  text,
  textIn,
  texts,
} from './shown-case';

interface Implant {
  name: string;
  stock: string;
  device: Parts;
  count: number;
}

const LONG = ['warnings', 'safe_use'] as const;
/** IGV2 may lie in the first part of the duodenum (Sarin 1992, Hepatology 16:1343-9). */
const PLACES: Readonly<Record<string, string>> = {
  GOV1: 'stomach',
  GOV2: 'stomach',
  'GOV1+GOV2': 'stomach',
  IGV1: 'stomach',
  oesophageal: 'gullet',
  duodenal: 'bowel',
  rectal: 'bowel',
};
const TO_COME = ['planned', 'to-book', 'booked'];
/** What both engines part words by. */
const WHITE = /[ \n]+/;
const NAMES = ['identifier', 'serial', 'expires_on'] as const;

/**
 * Return the card: three faces a kind and lot of coil; adhesive is named on a face of its own.
 *
 * Warnings and safe use in the maker's words stand on a fourth face, where they were entered.
 */
export function writeImplantCard(shown: ShownCase, words: PaperWords): Paper {
  const faces = listImplants(shown, words).flatMap((one) => facesOf(shown, one, words));
  const adhesives = [
    ...new Set(
      ofKind(shown, 'adhesive_injected').map((one) =>
        words.say('card.adhesive', {
          name: nameDevice(shown, one, words),
          lot: sayLot(deviceOf(shown, one), words),
        }),
      ),
    ),
  ].sort();
  const bare = (heading: string, held: string[]): Face => ({
    heading: words.say(heading),
    pairs: [],
    lines: [...held, ...draftOf(words)],
    qr: '',
    matrix: '',
  });
  if (adhesives.length > 0) {
    faces.push(bare('card.also_given', [...adhesives, words.say('card.adhesive_note')]));
  }
  return {
    paper: 'implant-card',
    language: words.language,
    is_draft: words.isDraft,
    title: words.say('card.title'),
    sender: senderOf(shown),
    recipient: null,
    dated: words.day(shown.on),
    head: [],
    parts: [],
    faces: faces.length > 0 ? faces : [bare('card.title', [words.say('card.no_implant')])],
    foot: footOf(shown, words),
  };
}

/** Return every kind, lot and serial of coil once, in the order of placement. */
function listImplants(shown: ShownCase, words: PaperWords): Implant[] {
  const found = new Map<string, Implant>();
  for (const one of ofKind(shown, 'coil_placed')) {
    const device = deviceOf(shown, one);
    const name = nameDevice(shown, one, words);
    // A lot said to be unknown is another than one that nobody entered.
    const lot = sayLot(device, words);
    const key = JSON.stringify([name, lot, ...NAMES.map((part) => textIn(device, part))]);
    const held = found.get(key);
    const count = (held?.count ?? 0) + 1;
    // Of one that was scanned and one that was typed the scan tells the whole label.
    const told = held !== undefined && textIn(device, 'raw_label') === '' ? held.device : device;
    found.set(key, { name, stock: stockOf(shown, one), device: told, count });
  }
  return [...found.values()];
}

/** Return the device identifier: of the label, else of the stock item that has only one; "" in doubt. */
function identifierOf(device: Parts, item: ShownRecord | null): string {
  if (isInDoubt(device)) return '';
  const known = texts(item, 'identifiers');
  return textIn(device, 'identifier') || (known.length === 1 ? (known[0] ?? '') : '');
}

/** Say whether a coil, which is of metal, was called MR safe: that is never printed. */
function isCalledSafe(mr: Parts): boolean {
  return textIn(mr, 'condition') === 'mr-safe' || saysSafe(textIn(mr, 'statement'));
}

function saysSafe(held: string): boolean {
  const plain = held.toLowerCase().replaceAll('-', ' ');
  return plain.replaceAll('not mr safe', '').replaceAll('mr unsafe', '').includes('mr safe');
}

function facesOf(shown: ShownCase, implant: Implant, words: PaperWords): Face[] {
  const item = stocked(shown, implant.stock);
  const { device, name, count } = implant;
  const maker = structure(item, 'maker');
  const identifier = identifierOf(device, item);
  const carrier = findCarrier(device, identifier);
  const doubt = isInDoubt(device) ? words.say('common.two_answers') : '';
  const told: [string, string][] = [
    [
      'patient',
      [nameOfPatient(shown, words), text(shown.patient, 'local_id')]
        .filter((one) => one !== '')
        .join(' '),
    ],
    ['date', words.day(dayOf(shown))],
    ['institution', senderOf(shown).join(', ')],
    ['phone', shown.unit_phone],
    ['device', words.say('card.counted', { name, count })],
    ['model', text(item, 'model')],
    ['lot', sayLot(device, words)],
    ['serial', textIn(device, 'serial') || doubt],
    ['use_by', sayExpiry(device, words)],
    ['udi', carrier.readable || identifier || doubt],
    ['maker', textIn(maker, 'name')],
    ['maker_address', textIn(maker, 'address').replaceAll('\n', ', ')],
    ['website', textIn(maker, 'website')],
  ];
  const named = told.map(([key, held]): [string, string] => [words.say(`card.${key}`), held]);
  const none = words.say('card.not_recorded');
  const said = named.map(([label, held]): [string, string] => [label, held || none]);
  // The name of the patient stays on the card: a code is read by any passer-by.
  const coded = named
    .filter(([, held]) => held !== '')
    .filter(([label]) => label !== named[0]?.[0]);
  const ownWords = LONG.map((field) => tellMaker(item, field, words)).filter((one) => one.isOwn);
  const ofMaker: Face = {
    heading: words.say('card.maker_title'),
    pairs: [],
    lines: ownWords.map((one) => one.line),
    qr: '',
    matrix: '',
  };
  return [
    {
      heading: words.say('card.title'),
      pairs: said.slice(0, 4),
      lines: draftOf(words),
      qr: coded.map(([label, held]) => `${label}: ${held}`).join('\n'),
      matrix: '',
    },
    {
      heading: words.say('card.device_title'),
      pairs: said.slice(4),
      lines:
        carrier.code === ''
          ? [words.say(doubt === '' ? 'card.no_identifier' : 'card.label_in_doubt')]
          : [],
      qr: '',
      matrix: carrier.code,
    },
    {
      heading: words.say('card.know'),
      pairs: [],
      lines: know(shown, item, words),
      qr: '',
      matrix: '',
    },
    ...(ownWords.length > 0 ? [ofMaker] : []),
  ];
}

/** Return the day of a visit to come: the day booked, else the one planned; "" in doubt. */
function dayOfVisit(visit: ShownRecord): string {
  const status = text(visit, 'status');
  if (!TO_COME.includes(status) || visit.conflicts.includes('booking')) return '';
  const booked = status === 'booked' ? textIn(structure(visit, 'booking'), 'on') : '';
  return booked || textIn(structure(visit, 'window'), 'target_on');
}

/** Return the next contact: its day, whether it is booked, and its kind, a call for one. */
function tellNext(shown: ShownCase, words: PaperWords): string {
  const days = shown.visits
    .map((visit) => ({ on: dayOfVisit(visit), visit }))
    .filter(({ on }) => isCivilDate(on) && on >= shown.on);
  const [next] = days.map(({ on }) => on).sort();
  if (next === undefined) return words.say('card.ask_next');
  const ofDay = days.filter(({ on }) => on === next).map(({ visit }) => visit);
  const kinds = once(ofDay.map((visit) => words.value('contact', text(visit, 'label'))));
  const isBooked = ofDay.every((visit) => text(visit, 'status') === 'booked');
  return words.say(isBooked ? 'card.next_booked' : 'card.next', {
    day: words.day(next),
    what: kinds.join(', ') || words.say('card.kind_unknown'),
  });
}

/** Return magnetic resonance, lifetime, follow-up, and where to ask (Article 18 (1) (b)-(d)). */
function know(shown: ShownCase, item: ShownRecord | null, words: PaperWords): string[] {
  const mr = structure(item, 'mr');
  const statement = textIn(mr, 'statement').trim();
  return [
    words.say('card.show'),
    isCalledSafe(mr)
      ? words.say('card.mr_doubt')
      : statement !== '' && !item?.conflicts.includes('mr')
        ? words.say('card.mr', { condition: words.value('mr', textIn(mr, 'condition')), statement })
        : words.say('card.mr_unknown'),
    words.say(`card.shift_${PLACES[text(shown.itself, 'varix_class')] ?? 'gut'}`),
    tellMaker(item, 'expected_lifetime', words).line,
    tellNext(shown, words),
    ...LONG.map((field) => tellMaker(item, field, words))
      .filter((one) => !one.isOwn)
      .map((one) => one.line),
  ];
}

/**
 * Return what the maker says of one thing, and whether it is told in the maker's words.
 *
 * What calls a coil MR safe is not repeated (`isCalledSafe`).
 */
function tellMaker(
  item: ShownRecord | null,
  field: string,
  words: PaperWords,
): { line: string; isOwn: boolean } {
  const what = words.say(`card.${field}`);
  const held = text(item, field)
    .split(WHITE)
    .filter((word) => word !== '')
    .join(' ');
  const bare = (line: string) => ({ line, isOwn: false });
  if (item?.conflicts.includes(field)) return bare(words.say('card.maker_in_doubt', { what }));
  if (saysSafe(held)) return bare(words.say('card.maker_not_repeated', { what }));
  if (held === '') return bare(words.say(`card.${field}_unknown`));
  return { line: words.say('card.maker_says', { what, text: held }), isOwn: true };
}
