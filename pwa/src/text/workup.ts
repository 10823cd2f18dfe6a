/** Sentences of the Workup screen. */
import { milliText } from '../state/number-entry';
import type { ScoreInput } from '../state/workup';
import { unitShownOf } from '../state/workup-labs';
import { valueWords } from './record';
import { choices, lookUp, midSentence, say, withMore, words } from './say';

const workupSaid = words('workup');
export const workup = withMore(workupSaid, {
  undo: (act: string) => say('workup.undo', { act }),
  stillOpen: (names: string) => say('workup.stillOpen', { names }),
  yesNo: choices(workupSaid.yesNo),
});

const historySaid = words('history');
export const historyWords = withMore(historySaid, {
  indications: choices(historySaid.indications),
  causes: choices(historySaid.causes),
  varixClasses: choices(historySaid.varixClasses),
  continuities: choices(historySaid.continuities),
  siteChoices: choices(historySaid.siteChoices),
  stigmataChoices: choices(historySaid.stigmataChoices),
  rightToLeftChoices: choices(historySaid.rightToLeftChoices),
  shuntChoices: choices(historySaid.shuntChoices),
  allergyChoices: choices(historySaid.allergyChoices),
  takeClass: (name: string) => say('history.takeClass', { name }),
  bleedYears: (years: number) => say('history.bleedYears', { years }),
  bleedRange: (low: string, lowSeries: string, high: string, highSeries: string) => {
    const lowest = say('history.bleedFigure', { share: low, series: lowSeries });
    if (low === high) return lowest;
    const highest = say('history.bleedFigure', { share: high, series: highSeries });
    return say('history.bleedRange', { low: lowest, high: highest });
  },
  series: (name: string, patients: number, cohort: string) =>
    say('history.series', { name, patients, cohort }),
});

const liverSaid = words('liver');
export const liverWords = withMore(liverSaid, {
  ascitesChoices: choices(liverSaid.ascitesChoices),
  encephalopathyChoices: choices(liverSaid.encephalopathyChoices),
  origins: choices(liverSaid.origins),
  names: lookUp(liverSaid.names),
  scoreNames: lookUp(liverSaid.scoreNames),
  inputNames: lookUp(liverSaid.inputNames),
  strike: (name: string) => say('liver.strike', { name }),
  struck: (name: string) => say('liver.struck', { name }),
  points: (points: number) => say('liver.points', { points }),
  childClass: (letter: string, points: number) => say('liver.childClass', { letter, points }),
  grade: (grade: number, score: string) => say('liver.grade', { grade, score }),
  clearance: (figure: string) => say('liver.clearance', { figure }),
  lacks: (names: string) => say('liver.lacks', { names }),
  twoAnswers: (names: string) => say('liver.twoAnswers', { names }),
  from: (files: string) => say('liver.from', { files }),
  input: inputWords,
  inputs: (list: string) => say('liver.inputs', { list }),
  assumed: (list: string) => say('liver.assumed', { list }),
});

/** Return what a score was computed from: name, number with unit, origin and day. */
function inputWords(input: ScoreInput | undefined): string {
  switch (input?.kind) {
    case 'lab': {
      const { milli, unit, origin, takenOn, also } = input.lab;
      const told = `${milliText(milli ?? 0)}${unit === 'ratio' ? '' : ` ${unitShownOf(unit)}`}`;
      const amount = also ? `${told} (${also})` : told;
      const number = say('liver.inputNumber', { name: nameOfInput(input.key), amount });
      return [number, origin === null ? '' : liverSaid.inputOrigins[origin], takenOn]
        .filter((part) => part !== '')
        .join(', ');
    }
    case 'finding':
      return say('liver.inputNumber', {
        name: nameOfInput(input.field),
        amount: midSentence(valueWords(input.answer, input.field, 'case')),
      });
    case 'sex':
      return midSentence(valueWords(input.sex, 'sex', 'patient'));
    case 'age':
      return say('liver.inputYears', { years: input.years });
    case 'weight':
      return say('liver.inputNumber', {
        name: nameOfInput('weight_kg'),
        amount: `${milliText(input.grams)} kg`,
      });
    default:
      return '';
  }
}
const nameOfInput = (key: string) => (liverSaid.inputNames as Record<string, string>)[key] ?? key;

const drugsSaid = words('drugs');
export const drugsWords = withMore(drugsSaid, {
  urgentChoices: choices(drugsSaid.urgentChoices),
  drugNames: lookUp(drugsSaid.drugNames),
  conflictNames: lookUp(drugsSaid.conflictNames),
  basis: lookUp(drugsSaid.basis),
  profileUnit: (profile: string) => say('drugs.profileUnit', { profile }),
  profileCase: (profile: string) => say('drugs.profileCase', { profile }),
  continueDrug: (drug: string) => say('drugs.continueDrug', { drug }),
  hold: (drug: string, on: string, days: number) => say('drugs.hold', { drug, on, days }),
  lacks: (drug: string, names: string) => say('drugs.lacks', { drug, names }),
  missing: (names: string) => say('drugs.missing', { names }),
});

const consentSaid = words('consent');
export const consentWords = withMore(consentSaid, {
  airwayChoices: choices(consentSaid.airwayChoices),
  givenChoices: choices(consentSaid.givenChoices),
  antibioticChoices: choices(consentSaid.antibioticChoices),
  agents: choices(consentSaid.agents),
});

export const dayWords = withMore(words('days'), {
  take: (on: string) => say('days.take', { on }),
});

/** Return where a figure comes from as one line, the basis not said twice. */
export function basisLine(basis: string, source: string): string {
  const named = drugsWords.basis[basis] ?? basis;
  const said = source.toLowerCase().startsWith(basis.replace('-', ' '));
  return said
    ? `${source.charAt(0).toUpperCase()}${source.slice(1)}`
    : [named, source].filter(Boolean).join(': ');
}

/** Return a hold profile by the societies and the year of its guideline: `BSG/ESGE 2021`. */
export function profileWords(profile: string): string {
  return profile
    .replace(/-(\d{4})$/, ' $1')
    .replaceAll('-', '/')
    .toUpperCase();
}
