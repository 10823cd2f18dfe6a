/** The rule files that are bundled with the program. Twin of `api/storage/packaged_files.py`. */
import { RuleBook } from './rule-book';

const bundled = import.meta.glob<string>(
  ['$clinical-data/*/*.json', '$clinical-data/in_force.json'],
  {
    query: '?raw',
    import: 'default',
    eager: true,
  },
);

/** Return every bundled rule file and `in_force.json`: path below the data folder to text. */
export function readPackagedRuleFiles(): Record<string, string> {
  return Object.fromEntries(
    Object.entries(bundled)
      .map(([path, content]) => [path.slice(path.indexOf('/data/') + '/data/'.length), content])
      .sort(([one = ''], [other = '']) => (one < other ? -1 : 1)),
  );
}

/** Return the bundled rule files as in force on a civil date, which the caller's clock gives. */
export function packagedRuleBook(on: string): RuleBook {
  return new RuleBook(readPackagedRuleFiles(), on);
}
