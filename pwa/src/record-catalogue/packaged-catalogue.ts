/** The catalogue that is bundled with the app. */
import content from '$catalogue/catalogue.json';
import { type Catalogue, readCatalogue } from './catalogue';

let catalogue: Catalogue | null = null;

/** Return the bundled catalogue, read once. */
export function packagedCatalogue(): Catalogue {
  catalogue ??= readCatalogue(content);
  return catalogue;
}
