/**
 * The letter to who referred a patient: done, implanted, held, what follows, whom to call. Pure.
 * Twin of `api/documents/referral_letter.py`.
 */
import { sayDrugs } from './case-findings';
import {
  countGiven,
  rowsOfImplants,
  sayMix,
  sayPure,
  tableImplants,
  tableVisits,
} from './case-given';
import { blanks, lines, type Paper, type Part } from './paper';
import { footOf, headOf, senderOf } from './paper-head';
import type { PaperWords } from './paper-words';
import {
  dayOf,
  doubtsOf,
  linesIn,
  partIn,
  patientName,
  type ShownCase,
  structure,
  text,
  textIn,
} from './shown-case';

/** Return the letter; with lines to fill by hand where no referrer is recorded. */
export function writeReferralLetter(shown: ShownCase, words: PaperWords): Paper {
  const referrer = structure(shown.patient, 'referred_by');
  return {
    paper: 'referral-letter',
    language: words.language,
    is_draft: words.isDraft,
    title: words.say('letter.title'),
    sender: senderOf(shown),
    recipient: [...linesIn(textIn(referrer, 'name')), ...linesIn(textIn(referrer, 'address'))],
    dated: words.day(shown.on),
    head: headOf(shown, words).slice(0, 4),
    parts: [
      { heading: '', blocks: [lines([words.say('letter.greeting'), sayDone(shown, words)])] },
      ...tellDoubts(shown, words),
      tellImplants(shown, words),
      tellDrugs(shown, words),
      tellVisits(shown, words),
      tellWhomToCall(shown, words),
      {
        heading: '',
        blocks: [lines([words.say('letter.closing')]), blanks([words.say('report.by_hand')])],
      },
    ],
    faces: [],
    foot: footOf(shown, words),
  };
}

function tellDoubts(shown: ShownCase, words: PaperWords): Part[] {
  const fields = [...new Set(doubtsOf(shown).map(([, field]) => field.replaceAll('_', ' ')))];
  if (fields.length === 0) return [];
  const said = words.say('letter.two_answers', { fields: fields.join(', ') });
  return [{ heading: '', blocks: [lines([said])] }];
}

function sayDone(shown: ShownCase, words: PaperWords): string {
  const given = countGiven(shown);
  const none = words.say('report.not_entered');
  const day = words.day(dayOf(shown)) || none;
  const name = patientName(shown) || words.say('common.no_name');
  if (given.punctures + given.coils + given.injections === 0) {
    return words.say('letter.nothing_given', { name, day });
  }
  return words.say(given.injections > 0 ? 'letter.done' : 'letter.done_without_adhesive', {
    name,
    day,
    indication: words.value('indication', text(shown.itself, 'indication')) || none,
    coils: given.coils,
    pure: sayPure(given, words),
    mix: sayMix(given, words),
  });
}

function tellImplants(shown: ShownCase, words: PaperWords): Part {
  const rows = rowsOfImplants(shown, words);
  const none = lines([words.say('letter.no_implants')]);
  return {
    heading: words.say('letter.implants'),
    blocks: [rows.length > 0 ? tableImplants(rows, words) : none],
  };
}

function tellDrugs(shown: ShownCase, words: PaperWords): Part {
  const drugs = sayDrugs(shown, words) || words.say('report.not_entered');
  const beta = partIn(shown.itself.shows, 'on_beta_blocker');
  const said = [words.say('letter.drugs', { drugs })];
  if (typeof beta === 'boolean') {
    said.push(words.say(beta ? 'letter.on_beta_blocker' : 'letter.no_beta_blocker'));
  }
  said.push(words.say('letter.restart'));
  return { heading: words.say('letter.drugs_title'), blocks: [lines(said)] };
}

function tellVisits(shown: ShownCase, words: PaperWords): Part {
  const none = lines([words.say('report.no_visits')]);
  return {
    heading: words.say('letter.visits'),
    blocks: [shown.visits.length > 0 ? tableVisits(shown, words) : none],
  };
}

function tellWhomToCall(shown: ShownCase, words: PaperWords): Part {
  const { unit_name: unit, unit_phone: phone } = shown;
  const first =
    phone === ''
      ? blanks([words.say('letter.phone')])
      : lines([words.say('letter.call', { unit, phone })]);
  return {
    heading: words.say('letter.whom_to_call'),
    blocks: [first, lines([words.say('letter.signs')])],
  };
}
