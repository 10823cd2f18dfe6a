/** Sentences of the Plan screen. */
import type { CoilCount } from '../state/coil-counts';
import type { PlanLack } from '../state/plan';
import { type Choice, choices, forRecord, lookUp, midSentence, say, withMore, words } from './say';

const said = words('plan');
export const plan = withMore(said, {
  strike: (label: string) => say('plan.strike', { label }),
  struck: (label: string) => say('plan.struck', { label }),
  modalities: choices(said.modalities),
  origins: choices(said.origins),
  originWords: lookUp(said.originWords),
  feederChoices: choices(said.feederChoices),
  routes: choices(said.routes),
  sizeClass: (name: string) => say('plan.sizeClass', { name }),
  sizeClasses: lookUp(said.sizeClasses),
});

const gaugeText = (gauge: number) => say('needle.gaugeText', { gauge });
const GAUGES = [19, 22, 25];
export const needleWords = withMore(words('needle'), {
  gauges: GAUGES.map(
    (gauge): Choice => ({
      id: String(gauge),
      get words() {
        return gaugeText(gauge);
      },
    }),
  ),
  gaugeText,
});

const coilSaid = words('coils');
export const coilWords = withMore(coilSaid, {
  text: (loop: string, wire: string, length: string) => say('coils.text', { loop, wire, length }),
  /** As the unit's shelf list keeps the name, which every language reads. */
  recorded: (loop: string, wire: string, length: string) =>
    forRecord('coils.text', { loop, wire, length }),
  /** As the lay-out list says it; what is not usable is told beside it. */
  count: ({ onShelf, usable }: CoilCount) => {
    if (onShelf === null) return coilSaid.notCounted;
    return usable === null
      ? say('layOut.onShelf', { count: onShelf })
      : say('coils.onShelfUsable', { count: onShelf, usable: Math.max(0, usable) });
  },
  planCount: (count: number) => say('coils.planCount', { count }),
});

const adhesiveSaid = words('adhesive');
/** Ratios by their parts, as the record keeps them. */
const RATIOS = ['1:1', '5:7', '5:8'].map((id) => ({ id, words: shownRatio(id) }));
export const adhesiveWords = withMore(adhesiveSaid, {
  agents: choices(adhesiveSaid.agents),
  ratios: [
    {
      id: '1:0',
      get words() {
        return adhesiveSaid.pure;
      },
    },
    ...RATIOS,
  ] as readonly Choice[],
  media: lookUp(adhesiveSaid.media),
});

/** Return parts as they are chosen: "Pure, no oil", "1 : 1"; others in words. */
export function partsWords(partsAdhesive: number, partsOil: number): string {
  const id = `${partsAdhesive}:${partsOil}`;
  const known = adhesiveWords.ratios.find((ratio) => ratio.id === id);
  return known?.words ?? ratioText(partsAdhesive, partsOil);
}

/** Return a ratio in digits: "1 : 1", of fives in halves "0.5 : 0.7". */
function shownRatio(id: string): string {
  const parts = id.split(':').map(Number);
  const isTenths = parts[0] === 5;
  return parts.map((part) => (isTenths ? part / 10 : part)).join(' : ');
}

/** Return a ratio in words: "1 part adhesive : 1.6 parts oil"; rounded half up to 2 decimals. */
export function ratioText(partsAdhesive: number, partsOil: number): string {
  if (partsOil === 0) return adhesiveSaid.alone;
  if (partsAdhesive < 1) return adhesiveSaid.noPart;
  const hundredths = Math.floor((partsOil * 200 + partsAdhesive) / (2 * partsAdhesive));
  return say('adhesive.parts', { oil: hundredths / 100 });
}

const numbersSaid = words('numbers');
const lackNames = numbersSaid.lackNames satisfies Record<PlanLack, string>;
const inputNames = lookUp(numbersSaid.names);
const joined = (...parts: string[]) => parts.filter((part) => part !== '').join(' ');
export const numberWords = withMore(numbersSaid, {
  more: (count: number) => say('numbers.more', { count }),
  allMissing: (names: string) => say('numbers.allMissing', { names }),
  /** What is missing, and of which target. */
  lack: (lack: PlanLack, label: string) => joined(label, lackNames[lack]),
  /** The same for a gate: its sentence is English, and so is the cause that a record keeps. */
  lackRecorded: (lack: PlanLack, label: string) =>
    joined(label, forRecord(`numbers.lackNames.${lack}`)),
  coilCount: (from: number, to: number) =>
    from === to ? say('numbers.coilCount', { count: to }) : say('numbers.coilRange', { from, to }),
  span: (from: string, to: string) => say('numbers.span', { from, to }),
  reasons: lookUp(numbersSaid.reasons),
  stopSum: (measured: string, margin: string, room: string, step: string) =>
    say('numbers.stopSum', { measured, margin, room, step }),
  perCent: (from: string, to: string) =>
    from === to
      ? say('numbers.perCent', { share: from })
      : say('numbers.perCentRange', { from, to }),
  about: (amount: string) => say('numbers.about', { amount }),
  deadSpaceFrom: lookUp(numbersSaid.deadSpaceFrom),
  over: (amount: string, seconds: string) => say('numbers.over', { amount, seconds }),
  /** Each of the media that go with the adhesive. */
  flushWith: (amount: string, media: readonly string[]) =>
    media.length === 0 ? amount : say('numbers.flushWith', { amount, media: either(media) }),
  from: (files: string) => say('numbers.from', { files }),
  approvedBy: (names: string) => say('numbers.approvedBy', { names }),
  notApproved: (files: string) => say('numbers.notApproved', { files }),
  /** An amount behind its name, within a list. */
  named: (name: string, amount: string) =>
    say('numbers.named', { name: midSentence(name), amount }),
  inputs: (list: string) => say('numbers.inputs', { list }),
  needs: (names: string) => say('numbers.needs', { names }),
  /** An input as the rules name it, in words. */
  nameOf: (input: string) => inputNames[input.replace('.', '_')] ?? input,
});

function either(names: readonly string[]): string {
  return names.reduce((one, other) => say('numbers.or', { one, other }));
}
