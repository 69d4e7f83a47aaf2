"""The transfer model: from weather outside to the air round each tree."""
