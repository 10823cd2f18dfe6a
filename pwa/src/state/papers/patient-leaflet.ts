/**
 * The leaflet that a patient takes home: what was done, warning signs, whom to call. Pure.
 * Twin of `api/documents/patient_leaflet.py`.
 */
import { isCivilDate } from '../../clinical-rules/civil-date';
import { neededEquipment } from '../../clinical-rules/session-places';
import { compare, countGiven } from './case-given';
import { blanks, lines, type Paper, type Part, points } from './paper';
import { draftOf, nameOfPatient, senderOf } from './paper-head';
import { fill, type PaperWords } from './paper-words';
import { dayOf, doubtsOf, type ShownCase, structure, text, textIn } from './shown-case';

/** IGV2 may lie in the first part of the duodenum (Sarin 1992, Hepatology 16:1343-9). */
const GASTRIC = ['GOV1', 'GOV2', 'GOV1+GOV2', 'IGV1'];
const TO_COME = ['planned', 'to-book', 'booked', 'no-show', 'cancelled'];

/**
 * Return the leaflet; a part that the case has nothing for is left out.
 * Where no treatment is recorded it says that alone. The stomach is named for its varices alone.
 * That two answers wait in the record is said first, without what they are about.
 */
export function writeLeaflet(shown: ShownCase, words: PaperWords): Paper {
  const given = countGiven(shown);
  const isTreated = given.punctures + given.coils + given.injections > 0;
  const isGastric = GASTRIC.includes(text(shown.itself, 'varix_class'));
  const isSo: Readonly<Record<string, boolean>> = {
    always: true,
    coils: given.coils > 0,
    adhesive: given.injections > 0,
    implants: given.coils + given.injections > 0,
    stomach: isGastric,
    veins: !isGastric,
  };
  const put = {
    day: words.day(dayOf(shown)) || words.say('leaflet.this_day'),
    coils: given.coils,
    phone: shown.unit_phone,
    unit: shown.unit_name,
  };
  const parts = words.leaflet.flatMap((one): Part[] => {
    if (one.when === 'call') return [tellWhomToCall(shown, words)];
    if (!isSo[one.when]) return [];
    const filled = (held: readonly string[]) => held.map((line) => fill(line, put));
    return [
      {
        heading: fill(one.heading, put),
        blocks: [
          ...(one.lines.length > 0 ? [lines(filled(one.lines))] : []),
          ...(one.points.length > 0 ? [points(filled(one.points))] : []),
        ],
      },
    ];
  });
  const bare = (key: string): Part => ({ heading: '', blocks: [lines([words.say(key)])] });
  return {
    paper: 'patient-leaflet',
    language: words.language,
    is_draft: words.isDraft,
    title: words.say('leaflet.title'),
    sender: senderOf(shown),
    recipient: null,
    dated: words.day(shown.on),
    head: [
      [words.say('leaflet.name'), nameOfPatient(shown, words)],
      [words.say('common.number'), text(shown.patient, 'local_id')],
    ],
    parts: [
      ...(doubtsOf(shown).length > 0 ? [bare('leaflet.doubt')] : []),
      ...(isTreated ? [...parts, tellVisits(shown, words)] : [bare('leaflet.untreated')]),
    ],
    faces: [],
    foot: [...draftOf(words), words.say('leaflet.foot')],
  };
}

/** Return the days to come: the day booked, else from when to when it is planned. */
function tellVisits(shown: ShownCase, words: PaperWords): Part {
  const found = shown.visits.flatMap((visit) => {
    const [window, status] = [structure(visit, 'window'), text(visit, 'status')];
    const booked = status === 'booked' ? textIn(structure(visit, 'booking'), 'on') : '';
    const [first, last] = [textIn(window, 'earliest_on'), textIn(window, 'latest_on')];
    const isPast = booked < shown.on && last < shown.on;
    if (!TO_COME.includes(status) || isPast) return [];
    // Nobody is asked to come for a call.
    const call = neededEquipment(text(visit, 'label')) === 'phone' ? 'call_' : '';
    if (isCivilDate(booked)) {
      const day = words.day(booked);
      return [{ on: booked, said: words.say(`leaflet.${call}booked`, { day }) }];
    }
    if (!isCivilDate(first) || !isCivilDate(last)) return [];
    const put = { first: words.day(first), last: words.day(last) };
    return [{ on: first, said: words.say(`leaflet.${call}window`, put) }];
  });
  const said = found.sort((one, other) => compare(one.on, other.on)).map((one) => one.said);
  return {
    heading: words.say('leaflet.visits'),
    blocks: [said.length > 0 ? points(said) : lines([words.say('leaflet.no_visits')])],
  };
}

function tellWhomToCall({ unit_phone: phone }: ShownCase, words: PaperWords): Part {
  const call = lines([words.say('leaflet.call', { phone })]);
  return {
    heading: words.say('leaflet.whom_to_call'),
    blocks: [phone === '' ? blanks([words.say('leaflet.phone')]) : call],
  };
}
