/**
 * Grades of an adverse event on two published scales, derived from countable facts.
 * Twin of `adverse_events.py`.
 *
 * A fact that nobody entered is never taken as "no". The numbers stand in the rule files; this
 * module knows the names of the facts and the order of the grades.
 */
import { CalculationRefusedError, RuleFileError, ShapeError } from './errors';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, type RuleFile, rowShape } from './rule-file';
import {
  flag,
  listOf,
  naturalNumber,
  oneOf,
  type Reader,
  shape,
  text,
  wholeNumber,
} from './shapes';

export const DRUGS = ['none', 'supportive', 'other'] as const;
/** In the order in which they are asked. Hours passed in full; a night is a midnight passed. */
export const FACTS = {
  phone_contact: flag,
  consultation: flag,
  emergency_visit: flag,
  observation_hours: naturalNumber,
  admission_hours: naturalNumber,
  admission_nights: naturalNumber,
  prolonged_nights: naturalNumber,
  procedure_aborted: flag,
  drugs: oneOf(...DRUGS),
  transfusion: flag,
  unplanned_ventilation: flag,
  repeat_endoscopy: flag,
  radiological_intervention: flag,
  surgery: flag,
  intensive_care_nights: naturalNumber,
  failing_organs: naturalNumber,
  permanent_disability: flag,
  death: flag,
} as const satisfies Readonly<Record<string, Reader<boolean | number | string>>>;
export type Fact = keyof typeof FACTS;
export type Entered = boolean | number | string;
export const FACT_NAMES = Object.keys(FACTS) as readonly Fact[];

/** From least to worst. */
export const GRADES = {
  agree: ['none', 'I', 'II', 'IIIa', 'IIIb', 'IVa', 'IVb', 'V'],
  asge: ['none', 'mild', 'moderate', 'severe', 'fatal'],
} as const;
export type Scale = keyof typeof GRADES;
export const NOTHING_ENTERED =
  'No grade can be derived: no fact is entered. Enter what the event needed, or what it did not.';
const DAY_HOURS = 24;

const readAnyOf: Reader<Entered> = (content, where) => {
  if (typeof content === 'boolean' || typeof content === 'string') return content;
  return wholeNumber(content, where);
};
/** The grade that one fact gives when it is met: by exactly one of the three tests. */
const readGradeRow = rowShape(
  { grade: text, fact: text },
  { at_least: wholeNumber, is: readAnyOf, one_of: listOf(text) },
);
type GradeRow = ReturnType<typeof readGradeRow>;
type Read = Readonly<Record<string, Entered | undefined>>;

/** One scale: its grade and why. `at_least` when something not entered could still raise it. */
export interface Graded {
  grade: string;
  at_least: boolean;
  because: { fact: Fact; entered: Entered }[];
  basis: Basis | null;
  source: string | null;
  missing: Fact[];
}

export interface AdverseEventAnswer {
  agree: Graded;
  asge: Graded;
  missing: Fact[];
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return both grades of one adverse event, from the facts entered alone. Rules AE1-AE9.
 *
 * Sources: Nass 2022, Gastrointest Endosc 95:1078 (AGREE); Cotton 2010, Gastrointest Endosc 71:446
 * (ASGE lexicon); row by row in the rule files.
 *
 * @param facts - parsed JSON with the keys of `FACTS`, each of which may be left out; hours and
 * nights are whole numbers, 0 where there was none
 * @param ruleBook - holds `adverse_events/agree` and `adverse_events/asge`
 * @throws ShapeError for a wrong key or type, or when hours and nights of the admission do not fit
 * each other; CalculationRefusedError when no fact is entered, its answer names what is missing
 */
export function gradeAdverseEvent(facts: unknown, ruleBook: RuleBook): AdverseEventAnswer {
  const read: Read = shape({}, FACTS)(facts, '');
  refuseMisfit(read);
  const isBlank = Object.keys(read).length === 0;
  const agreeFile = ruleBook.ruleFile('adverse_events/agree', readGradeRow);
  const asgeFile = ruleBook.ruleFile('adverse_events/asge', readGradeRow);
  const agree = gradeOn('agree', agreeFile, read);
  const asge = gradeOn('asge', asgeFile, read);
  const missing = FACT_NAMES.filter(
    (fact) => agree.missing.includes(fact) || asge.missing.includes(fact),
  );
  const answer = { agree, asge, missing, rule_files: nameRuleFiles(agreeFile, asgeFile) };
  if (isBlank) {
    throw new CalculationRefusedError(NOTHING_ENTERED, {
      ...answer,
      agree: { missing: agree.missing },
      asge: { missing: asge.missing },
    });
  }
  return answer;
}

function gradeOn(scale: Scale, ruleFile: RuleFile<GradeRow>, read: Read): Graded {
  const grades: readonly string[] = GRADES[scale];
  refuseFaults(ruleFile, grades);
  const met = ruleFile.rows.filter((row) => isMet(row, read[row.fact]));
  const rank = Math.max(0, ...met.map((row) => grades.indexOf(row.grade)));
  const grade = grades[rank] ?? '';
  const deciding = met.filter((row) => row.grade === grade);
  const couldRaise = ruleFile.rows.filter(
    (row) =>
      read[row.fact] === undefined && grades.indexOf(row.grade) > rank && mayBeMet(row, read),
  );
  const missing = FACT_NAMES.filter((fact) => couldRaise.some((row) => row.fact === fact));
  return {
    grade,
    at_least: missing.length > 0,
    because: FACT_NAMES.flatMap((fact) => {
      const entered = read[fact];
      const gives = entered !== undefined && deciding.some((row) => row.fact === fact);
      return gives ? [{ fact, entered }] : [];
    }),
    basis: deciding[0]?.basis ?? null,
    source: deciding[0]?.source ?? null,
    missing,
  };
}

function isMet(row: GradeRow, entered: Entered | undefined): boolean {
  if (entered === undefined) return false;
  if (row.one_of !== undefined) return typeof entered === 'string' && row.one_of.includes(entered);
  if (row.at_least !== undefined) return typeof entered === 'number' && entered >= row.at_least;
  return entered === row.is;
}

/** Say whether a fact not entered could meet the row, given the other half of the admission. */
function mayBeMet(row: GradeRow, read: Read): boolean {
  const { admission_hours: hours, admission_nights: nights } = read;
  let bounds: readonly [number, number] | null = null;
  if (row.fact === 'admission_hours' && typeof nights === 'number') bounds = hoursOf(nights);
  if (row.fact === 'admission_nights' && typeof hours === 'number') bounds = nightsOf(hours);
  if (bounds === null) return true;
  const [least, most] = bounds;
  if (row.at_least !== undefined) return row.at_least <= most;
  return typeof row.is === 'number' && least <= row.is && row.is <= most;
}

/** The fewest and most whole hours of a stay over so many midnights. */
function hoursOf(nights: number): readonly [number, number] {
  const least = nights === 1 ? 1 : Math.max(0, DAY_HOURS * (nights - 1));
  return [least, DAY_HOURS * nights + DAY_HOURS - 1];
}

/** The fewest and most midnights within a stay of so many whole hours. */
function nightsOf(hours: number): readonly [number, number] {
  const least = Math.floor(hours / DAY_HOURS);
  return [least, hours > 0 ? least + 1 : 0];
}

function refuseMisfit({ admission_hours: hours, admission_nights: nights }: Read): void {
  if (typeof hours !== 'number' || typeof nights !== 'number') return;
  const [least, most] = nightsOf(hours);
  if (nights < least || nights > most) {
    throw new ShapeError(
      `admission_nights ${nights} and admission_hours ${hours} do not fit each other. ` +
        'Correct one of them.',
    );
  }
}

function refuseFaults(ruleFile: RuleFile<GradeRow>, grades: readonly string[]): void {
  for (const [place, row] of ruleFile.rows.entries()) {
    const where = `Rule file ${pathOf(ruleFile)}: row ${place + 1}`;
    if (!grades.includes(row.grade)) {
      throw new RuleFileError(`${where}: grade must be one of ${grades.join(', ')}. Correct it.`);
    }
    if (!isFact(row.fact)) {
      throw new RuleFileError(
        `${where}: fact must be one of ${FACT_NAMES.join(', ')}. Correct it.`,
      );
    }
    if (!hasFittingTest(row, FACTS[row.fact])) {
      throw new RuleFileError(
        `${where} needs one of \`at_least\`, \`is\` and \`one_of\`, with a content that ` +
          `${row.fact} can have. Correct it.`,
      );
    }
  }
}

function isFact(name: string): name is Fact {
  return Object.hasOwn(FACTS, name);
}

function hasFittingTest(row: GradeRow, reader: Reader<Entered>): boolean {
  const tests = [row.at_least, row.is, row.one_of].filter((test) => test !== undefined);
  if (tests.length !== 1) return false;
  if (row.at_least !== undefined) return reader === naturalNumber && row.at_least >= 0;
  const wanted = row.one_of ?? [row.is];
  return wanted.length > 0 && wanted.every((one) => canBeRead(reader, one));
}

function canBeRead(reader: Reader<Entered>, content: unknown): boolean {
  try {
    reader(content, '');
    return true;
  } catch (error) {
    if (error instanceof ShapeError) return false;
    throw error;
  }
}
