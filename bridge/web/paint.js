// How things look on a canvas: colours and letters of the page, a pattern for each state, flags. px: canvas pixels a CSS pixel.
"use strict";
const paint = (() => {
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const deckColour = (index) => css(`--deck-${index % 4}`);
  const font = (size, style = "") => `${style} ${size * devicePixelRatio}px ${getComputedStyle(document.body).fontFamily}`;

  function writeWithHalo(ctx, text, x, y, colour) {
    ctx.lineWidth = 4 * devicePixelRatio;
    ctx.lineJoin = "round";
    ctx.strokeStyle = css("--paper");
    ctx.setLineDash([]);
    ctx.strokeText(text, x, y);
    ctx.fillStyle = colour;
    ctx.fillText(text, x, y);
  }

  function flag(ctx, x, y, colour, px) {
    ctx.fillStyle = colour;
    ctx.beginPath();
    ctx.moveTo(x, y);
    ctx.lineTo(x + 9 * px, y + 5 * px);
    ctx.lineTo(x, y + 10 * px);
    ctx.fill();
  }

  function fillState(ctx, x, y, width, height, state, colour, px, named = true) {
    ctx.save();
    ctx.beginPath();
    ctx.rect(x, y, width, height);
    ctx.clip();
    ctx.strokeStyle = ctx.fillStyle = colour;
    ctx.lineWidth = px;
    if (state === "following") {
      ctx.fillRect(x, y, width, height);
    } else if (state === "holding") {
      hatch(ctx, x, y, width, height, 5 * px, 1.6 * px, false);
    } else if (state === "listening") {
      dots(ctx, x, y, width, height, px);
    } else if (state === "not heard") {
      hatch(ctx, x, y, width, height, 6 * px, px, true);
    }
    ctx.restore();
    ctx.strokeStyle = colour;
    ctx.lineWidth = px;
    ctx.setLineDash(state === "idle" ? [px, 3 * px] : []);
    ctx.strokeRect(x + px / 2, y + px / 2, Math.max(0, width - px), height - px);
    if (named) nameState(ctx, x, y, width, height, state, colour, px);
  }

  function nameState(ctx, x, y, width, height, state, colour, px) {
    ctx.font = font(12);
    ctx.textBaseline = "middle";
    const needs = ctx.measureText(state).width;
    if (needs + 14 * px > width) return;
    const solid = state === "following";
    ctx.fillStyle = solid ? colour : css("--paper");
    ctx.fillRect(x + 4 * px, y + 2 * px, needs + 6 * px, height - 4 * px);
    ctx.fillStyle = solid ? css("--paper") : css("--ink");
    ctx.fillText(state, x + 7 * px, y + height / 2 + px);
  }

  function hatch(ctx, x, y, width, height, step, line, crossed) {
    ctx.lineWidth = line;
    ctx.beginPath();
    for (let at = x - height; at < x + width; at += step) {
      ctx.moveTo(at, y + height);
      ctx.lineTo(at + height, y);
      if (!crossed) continue;
      ctx.moveTo(at, y);
      ctx.lineTo(at + height, y + height);
    }
    ctx.stroke();
  }

  function dots(ctx, x, y, width, height, px) {
    for (let row = 0; row * 5 * px < height; row++) {
      for (let at = x + (row % 2 ? 5 : 2.5) * px; at < x + width; at += 5 * px) {
        ctx.fillRect(at, y + (row * 5 + 2) * px, 1.5 * px, 1.5 * px);
      }
    }
  }

  return { css, deckColour, fillState, flag, font, writeWithHalo };
})();
