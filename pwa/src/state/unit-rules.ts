/**
 * Which rule files a unit computes by: what it has approved, and whether it is in training. Pure.
 * Twin of `api/use_cases/unit_rules.py`.
 */
import { readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook, type UnitReleases } from '../clinical-rules/rule-book';
import { hashText } from '../clinical-rules/rule-file';
import {
  APPROVERS_NEEDED,
  type Approval,
  dayInForce,
  judgeRelease,
  listApprovers,
  type Release,
  type Standing,
} from '../clinical-rules/rule-release';
import type { Json, RecordState } from '../ports';
import { valuesOf } from './shown';

export const RELEASE_KIND = 'rule_file_release';
const SERVER_DEVICE = 'unit-server';

export interface UnitRules extends UnitReleases {
  /** Every rule file held here: those of this release and the unit's own. */
  readonly contents: Readonly<Record<string, string>>;
}

/**
 * Return what a unit's record says about its rules.
 *
 * A unit is in training until its record says that it is live, and never again after that, whatever
 * this tablet's clock says (RL5).
 *
 * @param sites - records of kind `site`
 * @param releases - records of kind `rule_file_release`
 */
export function readUnitRules(
  sites: readonly RecordState[],
  releases: readonly RecordState[],
): UnitRules {
  const isLive = sites.some((site) => written(site, 'live_from').length > 0);
  const standing = releases.filter((state) => !state.isEnteredInError);
  const packaged = readPackagedRuleFiles();
  const own: Record<string, string> = {};
  for (const state of standing) {
    const [path, content] = [pathOfRelease(state), written(state, 'content')[0]];
    // A released file never changes: a text under its name does not stand in its place (RL11).
    if (path !== '' && typeof content === 'string' && packaged[path] === undefined) {
      own[path] = content;
    }
  }
  const contents = { ...packaged, ...own };
  return {
    isTraining: !isLive,
    releases: standing.flatMap((state) => readRelease(state, contents) ?? []),
    contents,
  };
}

/** Return the rule book that the unit computes by. */
export function openRuleBook({ contents, ...unit }: UnitRules, on: string): RuleBook {
  return new RuleBook(contents, on, unit);
}

/** Why a version of a rule file does not count (RL1-RL4), in facts. */
export type NotCounting =
  | { because: 'retired'; on: string }
  | { because: 'approvals'; count: number; needed: number }
  | { because: 'no-endoscopist' }
  | { because: 'not-yet'; on: string }
  | { because: 'other-version'; version: number };

/** One version of a rule file and where it stands in this unit. */
export interface RuleFileLine {
  name: string;
  version: number;
  standing: Standing;
  /** Why this version does not count; null where it does. */
  why: NotCounting | null;
  approvedBy: string[];
}

/** Return every rule file held here and where it stands on a day, by name and version. */
export function listRuleFiles(rules: UnitRules, on: string): RuleFileLine[] {
  const { contents, releases } = rules;
  const book = openRuleBook({ ...rules, isTraining: false }, on);
  return Object.entries(contents).flatMap(([path, content]) => {
    const [, name, digits] = /^(.+)\.v(\d+)\.json$/.exec(path) ?? [];
    if (name === undefined) return [];
    const version = Number(digits);
    const release = releases.find((one) => one.name === name && one.version === version) ?? {
      ...{ name, version, sha256: hashText(content) },
      ...{ retiredOn: null, approvals: [] },
    };
    const approvedBy = listApprovers(release).map((approver) => approver.name);
    const { standing } = judgeRelease(release, on);
    const why = whyNot(release, standing, book.versionOf(name));
    return [{ name, version, standing, why, approvedBy }];
  });
}

/** Who approved rule files, each person once, and the files that count though nobody has. */
export interface WhoApproved {
  names: string[];
  lacking: string[];
}

/** Return who approved the versions that numbers were computed by (HAZ-10). */
export function approvalOf(
  rules: UnitRules,
  on: string,
  files: readonly { name: string; version: number }[],
): WhoApproved {
  const held = listRuleFiles(rules, on);
  const lines = files.map(({ name, version }) => ({
    path: `${name} v${version}`,
    line: held.find((one) => one.name === name && one.version === version),
  }));
  const isApproved = (line?: RuleFileLine) => line !== undefined && line.standing !== 'draft';
  const approved = lines.filter(({ line }) => isApproved(line));
  return {
    names: [...new Set(approved.flatMap(({ line }) => line?.approvedBy ?? []))].sort(),
    lacking: lines.filter(({ line }) => !isApproved(line)).map(({ path }) => path),
  };
}

function whyNot(release: Release, standing: Standing, counting: number | null): NotCounting | null {
  const { retiredOn, version } = release;
  if (standing === 'retired') return { because: 'retired', on: retiredOn ?? '' };
  if (standing === 'approved') return { because: 'not-yet', on: dayInForce(release) ?? '' };
  if (standing === 'draft') {
    const count = listApprovers(release).length;
    return count < APPROVERS_NEEDED
      ? { because: 'approvals', count, needed: APPROVERS_NEEDED }
      : { because: 'no-endoscopist' };
  }
  return counting === version ? null : { because: 'other-version', version: counting ?? 0 };
}

export type ProtocolStanding = 'signed' | 'unsigned' | 'expired' | 'draft';

/**
 * Return how the rule files below a folder stand as the gates take it (HARD-07): signed while one
 * version of each name counts, which in training every listed one does (RL5).
 */
export function protocolStanding(rules: UnitRules, on: string, folder: string): ProtocolStanding {
  const book = openRuleBook(rules, on);
  const lines = listRuleFiles(rules, on).filter(({ name }) => name.startsWith(`${folder}/`));
  const missing = lines.filter(({ name }) => !book.has(name));
  if (missing.length === 0) return 'signed';
  if (missing.some(({ standing }) => standing === 'retired')) return 'expired';
  return missing.some(({ standing }) => standing === 'draft') ? 'draft' : 'unsigned';
}

function pathOfRelease(state: RecordState): string {
  const file = fileOf(state);
  return file === null ? '' : `${file.name}.v${file.version}.json`;
}

function readRelease(
  state: RecordState,
  contents: Readonly<Record<string, string>>,
): Release | null {
  const file = fileOf(state);
  const content = contents[pathOfRelease(state)];
  if (file === null || content === undefined) return null;
  const days = written(state, 'retired_on').filter((day) => typeof day === 'string');
  return {
    ...file,
    sha256: hashText(content),
    // Two answers on the day: the earlier one is the safe one (RL10).
    retiredOn: days.sort()[0] ?? null,
    approvals: written(state, 'approval').flatMap(readApproval),
  };
}

function fileOf(state: RecordState): { name: string; version: number } | null {
  const file = written(state, 'file')[0];
  if (typeof file !== 'object' || file === null || Array.isArray(file)) return null;
  const { name, version } = file as Record<string, unknown>;
  return typeof name === 'string' && typeof version === 'number' ? { name, version } : null;
}

function readApproval(value: unknown): Approval[] {
  if (typeof value !== 'object' || value === null) return [];
  const { by, name, role, sha256, from_on: fromOn } = value as Record<string, unknown>;
  const words = [by, name, role, sha256, fromOn];
  if (!words.every((word) => typeof word === 'string')) return [];
  return [{ by, name, role, sha256, fromOn } as Approval];
}

/**
 * Return what the unit server wrote into a field, oldest first.
 *
 * A device can write into the same stream, and no device may put a rule in force (RL12).
 */
function written(state: RecordState, field: string): Json[] {
  return valuesOf(state, field)
    .filter(({ references }) => references.some((one) => one.startsWith(`${SERVER_DEVICE}.`)))
    .map(({ value }) => value);
}
