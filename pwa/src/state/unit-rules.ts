/**
 * Which rule files a unit computes by: what it has approved, and whether it is in training. Pure.
 * Twin of `api/use_cases/unit_rules.py`.
 */
import { readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook, type UnitReleases } from '../clinical-rules/rule-book';
import { hashText } from '../clinical-rules/rule-file';
import {
  type Approval,
  judgeRelease,
  listApprovers,
  type Release,
  type Standing,
} from '../clinical-rules/rule-release';
import type { RecordState } from '../ports';
import { structureOf, textOf, valuesOf } from './shown';

export const RELEASE_KIND = 'rule_file_release';

export interface UnitRules extends UnitReleases {
  /** Every rule file held here: those of this release and the unit's own. */
  readonly contents: Readonly<Record<string, string>>;
}

/**
 * Return what a unit's record says about its rules on a civil date.
 *
 * A unit is in training until its record says from which day it is live (RL5).
 *
 * @param sites - records of kind `site`
 * @param releases - records of kind `rule_file_release`
 */
export function readUnitRules(
  sites: readonly RecordState[],
  releases: readonly RecordState[],
  on: string,
): UnitRules {
  const isLive = sites.some((site) => {
    const day = textOf(site, 'live_from');
    return day !== '' && day <= on;
  });
  const standing = releases.filter((state) => !state.isEnteredInError);
  const packaged = readPackagedRuleFiles();
  const own: Record<string, string> = {};
  for (const state of standing) {
    const [path, content] = [pathOfRelease(state), textOf(state, 'content')];
    // A released file never changes: a text under its name does not stand in its place (RL11).
    if (path !== '' && content !== '' && packaged[path] === undefined) own[path] = content;
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

/** One version of a rule file and where it stands in this unit. */
export interface RuleFileLine {
  name: string;
  version: number;
  standing: Standing;
  why: string;
  approvedBy: string[];
}

/** Return every rule file held here and where it stands on a day, by name and version. */
export function listRuleFiles({ contents, releases }: UnitRules, on: string): RuleFileLine[] {
  return Object.entries(contents).flatMap(([path, content]) => {
    const [, name, digits] = /^(.+)\.v(\d+)\.json$/.exec(path) ?? [];
    if (name === undefined) return [];
    const version = Number(digits);
    const release = releases.find((one) => one.name === name && one.version === version) ?? {
      ...{ name, version, sha256: hashText(content) },
      ...{ inForceFrom: null, retiredOn: null, approvals: [] },
    };
    const approvedBy = listApprovers(release).map((approver) => approver.name);
    return [{ name, version, ...judgeRelease(release, on), approvedBy }];
  });
}

function pathOfRelease(state: RecordState): string {
  const file = structureOf(state, 'file');
  return typeof file?.name === 'string' ? `${file.name}.v${String(file.version)}.json` : '';
}

function readRelease(
  state: RecordState,
  contents: Readonly<Record<string, string>>,
): Release | null {
  const content = contents[pathOfRelease(state)];
  const file = structureOf(state, 'file');
  if (content === undefined || typeof file?.version !== 'number') return null;
  const days = valuesOf(state, 'retired_on').map(({ value }) => String(value));
  return {
    name: String(file.name),
    version: file.version,
    sha256: hashText(content),
    inForceFrom: textOf(state, 'in_force_from') || null,
    // Two answers on the day: the earlier one is the safe one (RL10).
    retiredOn: days.sort()[0] ?? null,
    approvals: valuesOf(state, 'approval').flatMap(({ value }) => readApproval(value)),
  };
}

function readApproval(value: unknown): Approval[] {
  if (typeof value !== 'object' || value === null) return [];
  const { by, name, role, sha256 } = value as Record<string, unknown>;
  const words = [by, name, role, sha256];
  if (!words.every((word) => typeof word === 'string')) return [];
  return [{ by, name, role, sha256 } as Approval];
}
