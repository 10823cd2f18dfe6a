/** What is taken out of a drawing of the chart library before it enters the page. */

/**
 * Return the drawing without its style sheet, which the page's content security policy forbids, and
 * without the English names of its parts: one picture has one text, at the picture.
 */
export function plainDrawing<Drawing extends Element>(drawn: Drawing): Drawing {
  for (const sheet of drawn.querySelectorAll('style')) sheet.remove();
  for (const part of drawn.querySelectorAll('[aria-label]')) part.removeAttribute('aria-label');
  drawn.setAttribute('aria-hidden', 'true');
  return drawn;
}
